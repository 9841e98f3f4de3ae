// Helps with a strip that is read by eye, and with what is added to one: a watch from the moment of dipping, and figures as keys. The page works without this file.

const watch = document.getElementById("timer");
const since = document.getElementById("since");
const due = document.getElementById("due");
const readAt = document.getElementById("read-at");
const pads = [...document.querySelectorAll(".ladders fieldset")];
const SAY_AHEAD_S = 5; // the eye needs a moment to find the pad

let dippedAt = 0;

function look() {
  const gone = Math.floor((performance.now() - dippedAt) / 1000);
  since.value = inWords("{time} since dipping", { time: `${Math.floor(gone / 60)}:${String(gone % 60).padStart(2, "0")}` });
  const now = pads.filter((pad) => {
    const after = Number(pad.dataset.after);
    const isDue = after > 0 && gone >= after - SAY_AHEAD_S && !pad.querySelector("input:checked");
    pad.classList.toggle("due", isDue);
    return isDue;
  });
  const words = now.map((pad) => inWords("{pad} at {seconds} s", { pad: pad.dataset.pad, seconds: pad.dataset.after })).join(", ");
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

// A figure chooses the step that it stands before. Figures that follow each other faster than a person reads pads are a scan: they choose nothing

const APART_MS = 40; // ours: a scanner's letters are 1 to 20 ms apart (common practice, no source), a person's figures for one pad after another over 100
let last = -Infinity; // when the last letter or figure came, by the events' own clock
let before; // the last figure: what takes it back

function choose(pad, step) {
  const was = pad.querySelector("input:checked");
  step.checked = true;
  before = () => {
    step.checked = false;
    if (was) was.checked = true;
    (was ?? pad.querySelector("input")).focus();
    due.textContent = inWords("A scan came while a pad was chosen: no step was set by it. Choose its field and scan again.");
  };
  (pads[pads.indexOf(pad) + 1]?.querySelector("input") ?? readAt ?? pad.form.querySelector("input[name=name], button")).focus();
}

document.addEventListener("keydown", (event) => {
  if (event.key === "Enter") last = -Infinity; // a scan ends so, and what follows is a person's
  if (event.key.length !== 1) return;
  const pad = event.target.closest?.(".ladders fieldset");
  const isFast = event.timeStamp - last < APART_MS;
  last = event.timeStamp;
  if (isFast && before) {
    event.preventDefault();
    return before();
  }
  before = undefined;
  const isFigure = pad && !isFast && !event.repeat && /^[1-9]$/.test(event.key) && !event.ctrlKey && !event.altKey && !event.metaKey;
  const step = isFigure && pad.querySelectorAll("input")[Number(event.key) - 1];
  if (!step) return;
  event.preventDefault();
  choose(pad, step);
});
