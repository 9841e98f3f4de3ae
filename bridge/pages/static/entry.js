// Helps with a strip that is read by eye: a watch from the moment of dipping, and figures as keys. The page works without this file.

const watch = document.getElementById("timer");
const since = document.getElementById("since");
const due = document.getElementById("due");
const readAt = document.getElementById("read-at");
const pads = [...document.querySelectorAll(".ladders fieldset")];
const SAY_AHEAD_S = 5; // the eye needs a moment to find the pad

let dippedAt = 0;

function look() {
  const gone = Math.floor((performance.now() - dippedAt) / 1000);
  since.value = `${Math.floor(gone / 60)}:${String(gone % 60).padStart(2, "0")} since dipping`;
  const now = pads.filter((pad) => {
    const after = Number(pad.dataset.after);
    const isDue = after > 0 && gone >= after - SAY_AHEAD_S && !pad.querySelector("input:checked");
    pad.classList.toggle("due", isDue);
    return isDue;
  });
  const words = now.map((pad) => `${pad.dataset.pad} at ${pad.dataset.after} s`).join(", ");
  if (due.textContent !== words) due.textContent = words;
}

if (watch) {
  watch.hidden = false;
  document.getElementById("dipped").addEventListener("click", () => {
    if (!dippedAt) setInterval(look, 250);
    dippedAt = performance.now();
    look();
    pads[0].querySelector("input").focus();
  });
}

for (const [at, pad] of pads.entries()) {
  const steps = [...pad.querySelectorAll("input")];
  pad.addEventListener("keydown", (event) => {
    const step = /^[1-9]$/.test(event.key) && !event.ctrlKey && !event.altKey && !event.metaKey ? steps[Number(event.key) - 1] : null;
    if (!step) return;
    event.preventDefault();
    step.checked = true;
    (pads[at + 1]?.querySelector("input") ?? readAt).focus();
  });
}
