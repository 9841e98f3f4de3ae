// The sound of a page while a signal is open: off until a person switches it on for this browser. Every page works without this file.

const soundOn = document.getElementById("sound-on");
const ringing = document.getElementById("ringing");
const ringingWords = document.getElementById("ringing-words");
const LOOK_EVERY_MS = 10000;
const RING_EVERY_MS = 30000;
const HUSH_MS = 10 * 60 * 1000;
const ON = "padpost.sound";
const HUSHED = "padpost.hushed";
let audio = null;
let rang = 0;

function isOn() {
  return localStorage.getItem(ON) === "on";
}

function tone(at, pitch) {
  const swing = audio.createOscillator();
  const level = audio.createGain();
  swing.frequency.value = pitch;
  level.gain.setValueAtTime(0.0001, at);
  level.gain.exponentialRampToValueAtTime(0.2, at + 0.03);
  level.gain.exponentialRampToValueAtTime(0.0001, at + 0.35);
  swing.connect(level).connect(audio.destination);
  swing.start(at);
  swing.stop(at + 0.4);
}

// A browser lets a page sound only after a click or key on it: until then the bar says so
async function ring() {
  audio ??= new AudioContext();
  if (audio.state !== "running") await Promise.race([audio.resume(), new Promise((late) => setTimeout(late, 200))]);
  if (audio.state !== "running") return false;
  tone(audio.currentTime, 660);
  tone(audio.currentTime + 0.45, 880);
  return true;
}

async function told(count) {
  ringing.hidden = !count;
  if (!count) {
    rang = 0;
    return;
  }
  const words = count === 1 ? inWords("A signal is open") : inWords("{count} signals are open", { count });
  const isHushed = Date.now() < Number(localStorage.getItem(HUSHED) ?? 0);
  let heard = true;
  if (!isHushed && Date.now() - rang >= RING_EVERY_MS) {
    heard = await ring();
    if (heard) rang = Date.now();
  }
  const shown = heard ? words : inWords("{words}. Click anywhere to let this page sound", { words });
  if (ringingWords.textContent !== shown) ringingWords.textContent = shown;
}

async function listen() {
  if (isOn()) {
    try {
      const answer = await fetch("/signals/ringing", { cache: "no-store" });
      if (answer.ok) await told((await answer.json()).ringing);
    } catch {
      // padpost.js says that Padpost does not answer
    }
  } else {
    ringing.hidden = true;
  }
  setTimeout(listen, LOOK_EVERY_MS);
}

document.getElementById("ringing-hush").addEventListener("click", () => localStorage.setItem(HUSHED, String(Date.now() + HUSH_MS)));
if (soundOn) {
  document.getElementById("sound").hidden = false;
  soundOn.checked = isOn();
  soundOn.addEventListener("change", () => {
    localStorage.setItem(ON, soundOn.checked ? "on" : "off");
    localStorage.removeItem(HUSHED);
    if (soundOn.checked) ring();
  });
  document.getElementById("sound-try").addEventListener("click", () => ring());
}
listen();
