// Locks the page after a time without anybody at it, and lets the same person go on where they were. Every page works without this file:
// then the session is locked all the same, and the next request asks for the password.

const body = document.body;
const cover = document.getElementById("cover").content.firstElementChild; // what stands here while it is locked
const unlock = cover.querySelector("form"); // none where the hospital's directory asks, in a tab of its own
const password = cover.querySelector("input, a");
const fault = cover.querySelector("[role=alert]");
const soon = document.getElementById("locks-soon");
const lockForm = document.getElementById("lock");
const IDLE_MS = Number(body.dataset.idle) * 1000;
const MARK = body.dataset.mark; // of this sign-in: another person in the same browser has another one
const LOOK_EVERY_MS = 1000;
const USED_EVERY_MS = 60000; // between two words to the server that somebody types here
const SOON_MS = 30000; // before it locks, it says so
const NOTED_EVERY_MS = 1000;
const ACTIVE = "padpost.active"; // in every tab of this browser
const LOCKED = "padpost.locked";
const UNLOCKED = "padpost.unlocked";
const WHO = "padpost.who"; // the mark of whoever is signed in, as the page that was opened last has it
const OWED = "padpost.owed"; // the mark of a sign-in that was locked, while the server has not heard of it
const ANEW = "padpost.anew"; // this tab was loaded anew to lock with a fresh form, and has not locked yet

let active = Date.now();
let used = Date.now(); // when the server last heard of it
let kept = null; // what stood on the page, while it is locked: not in the document, so that nothing of it is shown, read out or searched
let was = {};
let covers = 0; // how often it was covered: what the server was asked before that uncovers nothing
let telling = null; // on its way

function coverUp() {
  if (kept) return;
  covers += 1;
  was = { title: document.title, at: scrollY, field: document.activeElement };
  kept = document.createDocumentFragment();
  kept.append(...body.childNodes);
  body.append(cover);
  body.classList.add("locked");
  document.title = "Padpost";
  dispatchEvent(new Event("padpost-locked"));
  password.focus();
}

function uncover() {
  if (!kept) return;
  cover.remove();
  fault.textContent = "";
  body.append(kept);
  kept = null;
  body.classList.remove("locked");
  document.title = was.title;
  scrollTo(0, was.at);
  was.field?.focus?.();
  active = used = Date.now();
  localStorage.setItem(ACTIVE, String(active));
  dispatchEvent(new Event("padpost-unlocked"));
}

function stands(session) {
  if (session.state !== "open") coverUp();
  else if (session.mark !== MARK) location.replace("/"); // somebody else signed in: what stood here is not theirs
  else uncover();
}

async function ask(path) {
  try {
    await tellLock();
    const before = covers;
    const answer = await fetch(path, { cache: "no-store" });
    if (covers !== before) return;
    if (answer.ok) stands(await answer.json());
    else if (answer.status === 401) coverUp();
  } catch {
    // padpost.js says that Padpost does not answer
  }
}

// Until the server has heard of a lock it says that the session is open: so it is told before it is asked, whichever tab asks

const isOwed = () => localStorage.getItem(OWED) === MARK;

async function postLock() {
  const answer = await fetch(lockForm.action, { method: "POST", body: new URLSearchParams(new FormData(lockForm)), redirect: "manual", keepalive: true });
  // 401: it was locked, or over, already
  if (answer.type === "opaqueredirect" || answer.status === 401) {
    localStorage.removeItem(OWED);
    sessionStorage.removeItem(ANEW);
    return;
  }
  if (answer.status < 500 && !sessionStorage.getItem(ANEW)) {
    sessionStorage.setItem(ANEW, "yes"); // Padpost began anew meanwhile: its forms are too old, a fresh one locks
    location.reload();
  }
  throw new Error("not locked");
}

async function tellLock() {
  if (!isOwed()) return;
  telling ??= postLock().finally(() => (telling = null));
  await telling;
}

const tellLater = () => {}; // the page is covered; the server is told with the next look

function lock() {
  coverUp();
  localStorage.setItem(OWED, MARK);
  localStorage.setItem(LOCKED, String(Date.now()));
  tellLock().catch(tellLater);
}

function lastActive() {
  return Math.max(active, Math.min(Number(localStorage.getItem(ACTIVE) ?? 0), Date.now()));
}

function look() {
  if (kept) tellLock().catch(tellLater);
  if (kept || body.classList.contains("wall")) return; // nobody sits at a screen on the wall
  const rest = IDLE_MS - (Date.now() - lastActive());
  if (rest <= 0) return lock();
  soon.hidden = rest > SOON_MS;
  if (active > used && Date.now() - used >= USED_EVERY_MS) {
    used = Date.now();
    ask("/api/session/used");
  }
}

function noted() {
  if (kept || Date.now() - active < NOTED_EVERY_MS) return;
  if (Date.now() - lastActive() >= IDLE_MS) return; // whoever comes too late is asked
  active = Date.now();
  localStorage.setItem(ACTIVE, String(active));
}

for (const kind of ["keydown", "pointerdown", "pointermove", "input", "wheel"]) document.addEventListener(kind, noted, { passive: true });

addEventListener("storage", (event) => {
  if (event.key === LOCKED) coverUp();
  if (event.key === UNLOCKED || (event.key === WHO && event.newValue !== MARK)) ask("/api/session");
});
document.addEventListener("visibilitychange", () => {
  if (document.hidden) return;
  look();
  ask("/api/session");
});
addEventListener("pageshow", (event) => event.persisted && ask("/api/session"));

lockForm.addEventListener("submit", (event) => {
  event.preventDefault();
  lock();
});

unlock?.addEventListener("submit", async (event) => {
  event.preventDefault();
  const typed = password.value;
  password.value = "";
  try {
    await tellLock();
    const headers = { "Content-Type": "application/json", "X-Padpost": "1" };
    const answer = await fetch("/api/session/unlock", { method: "POST", headers, body: JSON.stringify({ password: typed }) });
    const said = await answer.json();
    if (answer.ok) {
      localStorage.setItem(UNLOCKED, String(Date.now()));
      stands(said);
      return;
    }
    fault.textContent = said.detail;
  } catch {
    fault.textContent = fault.nextElementSibling.textContent; // said in the page's language
  }
  password.focus();
});

localStorage.setItem(WHO, MARK);
if (isOwed()) lock();
else sessionStorage.removeItem(ANEW);
setInterval(look, LOOK_EVERY_MS);
