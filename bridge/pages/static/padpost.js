// Keys, scanners and the bar of new rows. Every page works without this file.
"use strict";

const body = document.body;
const SAID = JSON.parse(body.dataset.words ?? "{}"); // what scripts say, in the page's language; a page in English has none
const inWords = (english, put = {}) => (SAID[english] ?? english).replace(/\{(\w+)\}/g, (_, name) => put[name]);
const intoFind = document.getElementById("into-find");
const keys = document.getElementById("keys");
const isLocked = () => body.classList.contains("locked"); // lock.js took the page out of sight: nothing of it moves or is asked for

// --- a scanner ends what it types with Enter: in a form that acts, Enter goes on to the next field and never sends

document.addEventListener("keydown", (event) => {
  const field = event.target;
  if (event.key !== "Enter" || !(field instanceof HTMLInputElement) || !field.form?.classList.contains("act")) return;
  if (field.type === "password" && field.form.dataset.enter === "sends") return; // signing in does nothing to a result, and no password is scanned
  event.preventDefault();
  const fields = [...field.form.querySelectorAll("input:not([type=hidden]), button")];
  fields.slice(fields.indexOf(field) + 1).find((each) => each.type !== "radio" || each.name !== field.name).focus(); // a choice of several is one field
});

document.addEventListener("submit", (event) => {
  if (!event.target.classList.contains("act")) return;
  if (event.target.dataset.sent) event.preventDefault(); // a second click while the first is under way
  event.target.dataset.sent = "yes";
});

// --- along a list: arrows, Home and End, once a row has the focus; no letter is a key, since a scanner types letters

function chosen(key) {
  const rows = [...document.querySelectorAll("main a.row")];
  const at = rows.indexOf(document.activeElement);
  if (at < 0) return undefined;
  return { ArrowDown: rows[Math.min(at + 1, rows.length - 1)], ArrowUp: rows[Math.max(at - 1, 0)], Home: rows[0], End: rows.at(-1) }[key];
}

function back() {
  const typed = [...document.querySelectorAll("main input:not([type=hidden])")].some((each) => each.value !== each.defaultValue);
  if (!typed) location.assign(body.dataset.back);
}

// --- what is scanned while no field is chosen: into the page's own search, or nowhere; its Enter opens nothing

const SAME_SCAN_MS = 500; // ours: from the last letter to the Enter of one scan; a person who typed and thought better of it takes longer
const find = document.getElementById("search");
let lettered = 0; // when a letter last came with no field chosen, by the events' own clock

const isLetter = (event) => [...event.key].length === 1 && event.key !== " ";
const isOfScan = (event) => event.timeStamp - lettered < SAME_SCAN_MS && lettered > 0;

function noField(event) {
  if (isLetter(event)) {
    if (find && intoFind.checked) return find.select(), find.focus(); // and the letter that came goes there
    lettered = event.timeStamp;
  } else if (isOfScan(event) && (event.key === "Enter" || event.key === " ")) {
    event.preventDefault();
    if (event.key === "Enter") say(inWords("No field was chosen: what was scanned went nowhere. Choose the field and scan again, or find the strip"), "/find");
  }
}

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey || event.isComposing || keys.open || isLocked()) return;
  const inField = event.target.closest?.("input, select, textarea");
  if (event.key === "Escape") {
    if (inField) inField.blur();
    else if (location.pathname !== "/") back();
    return;
  }
  if (inField) return;
  const row = chosen(event.key);
  if (!row) return noField(event);
  event.preventDefault();
  row.focus();
});

intoFind.checked = localStorage.getItem("padpost.into-find") !== "off";
intoFind.addEventListener("change", () => localStorage.setItem("padpost.into-find", intoFind.checked ? "on" : "off"));
const keysButton = document.getElementById("keys-button");
keysButton.hidden = false;
keysButton.addEventListener("click", () => keys.showModal());
if (location.hash === "#search") find?.focus();

// --- what came since the page was opened waits in a bar: nothing moves under the pointer

const EVERY_MS = 1000; // between two looks, at the least
const ANYWAY_MS = 30000; // a look though nothing was told, should the stream have failed unseen
const MOST = 1000; // the count of the API ends here
const bar = document.getElementById("news");
const title = document.title;

function say(words, href) {
  bar.hidden = !words;
  if (bar.textContent === words) return;
  bar.textContent = words;
  bar.href = href;
}

// Whether receivers, pauses, signals and mutes stand otherwise than on the page, where the page shows them
const stands = (now) => Boolean(body.dataset.standing) && now.standing !== body.dataset.standing;

function told(news) {
  const count = body.dataset.watch === "stops" ? news.stops : news.strips;
  const shown = count >= MOST ? inWords("{count} or more", { count: "1\u202f000" }) : String(count);
  const stopped = body.dataset.watch !== "stops" ? news.stops : 0;
  const changed = count || news.stops;
  const moved = stands(news);
  if (body.classList.contains("wall") && (changed || moved || Date.now() - opened > AGED_MS)) location.reload(); // nobody stands there to renew it
  document.title = changed ? `(${shown}) ${title}` : title;
  const came = stopped ? "{count} new since you opened this page, {stopped} stopped. Show" : "{count} new since you opened this page. Show";
  const words = changed ? inWords(came, { count: shown, stopped }) : moved ? inWords("A receiver or a signal changed since you opened this page. Show") : "";
  say(words, location.pathname + location.search);
}

// --- the rows themselves that came, on the page that lists them: over its foot, with its own narrowing

const newest = document.getElementById("newest");

async function showNewest() {
  const answer = await fetch(newest.dataset.from, { cache: "no-store" });
  if (!answer.ok) return;
  newest.innerHTML = await answer.text(); // a piece of a page of ours, escaped there
  newest.hidden = !newest.childElementCount;
}

const opened = Date.now();
const aged = document.getElementById("aged");
const AGED_MS = 60000; // the ages on a page are in minutes: after one they are wrong, and it says so
let stream; // one for each page that is in sight: a browser has six connections to a host, and a hidden page needs none
let looked = 0; // when
let waits; // for the next look

// --- a row that somebody took, or dealt with, says so where it stands: only its own words change, and nothing moves

const turned = document.getElementById("turned");
let turn; // the last one that was heard
let lost = false; // the last look found nobody

function setRow(now) {
  const row = document.querySelector(`[data-row="${now.dataset.row}"]`);
  if (!row || row.dataset.now === now.dataset.now) return "";
  row.replaceWith(now);
  const item = now.closest("li");
  item?.classList.toggle("gone", now.dataset.now.startsWith("closed"));
  return [item?.querySelector("a.row")?.textContent, now.textContent].filter(Boolean).join(": ");
}

async function showTurned() {
  const stops = [...document.querySelectorAll("[data-row]")].map((each) => each.dataset.row);
  if (!turned || !stops.length) return;
  const from = turned.dataset.from;
  const answer = await fetch(`${from}${from.includes("?") ? "&" : "?"}stops=${stops.join(",")}`, { cache: "no-store" });
  if (!answer.ok) return;
  const piece = document.createElement("template");
  piece.innerHTML = await answer.text(); // as above: ours, escaped there
  const said = [...piece.content.querySelectorAll("[data-row]")].map(setRow).filter(Boolean);
  if (said.length) turned.textContent = said.join(". ");
  for (const count of piece.content.querySelectorAll("[data-count]")) {
    const shown = document.querySelector(`main [data-count="${count.dataset.count}"]`);
    if (shown) shown.textContent = count.textContent;
  }
}

async function look() {
  if (isLocked()) return;
  looked = Date.now();
  try {
    if (!stream || body.dataset.watch === "row") await showTurned();
    if (body.dataset.watch === "row") {
      if (lost) say(""); // what else the bar says there is not ours
      lost = false;
      return;
    }
    const answer = await fetch(`/api/news?stop=${body.dataset.stop}&strip=${body.dataset.strip}`, { cache: "no-store" });
    if (!answer.ok) return say(inWords("Padpost cannot say what is new. Open Today"), "/");
    const news = await answer.json();
    told(news);
    if (newest && news.stops) await showNewest();
  } catch {
    lost = true;
    say(inWords("Padpost does not answer. What you see may be old. Try again"), location.pathname + location.search);
  }
}

function lookSoon() {
  clearTimeout(waits);
  waits = setTimeout(look, Math.max(0, looked + EVERY_MS - Date.now()));
}

function heard(event) {
  const now = JSON.parse(event.data);
  const came = body.dataset.watch === "row" ? false : body.dataset.watch === "stops" ? now.stop > Number(body.dataset.stop) : now.strip > Number(body.dataset.strip) || now.stop > Number(body.dataset.stop);
  if (came || stands(now) || !bar.hidden) lookSoon();
  if (turn !== undefined && turn !== now.turn && body.classList.contains("wall")) location.reload();
  if (turn !== now.turn) showTurned().catch(lookSoon);
  turn = now.turn;
}

function listen() {
  stream = new EventSource("/api/news/stream");
  stream.addEventListener("news", heard);
  stream.addEventListener("away", lookSoon);
  stream.addEventListener("error", () => {
    turn = undefined; // what was not heard is asked for
    lookSoon();
    if (stream?.readyState === EventSource.CLOSED) stream = undefined; // no room: a look each second instead
  });
}

function unlisten() {
  stream?.close();
  stream = undefined;
}

if (aged) setTimeout(() => (aged.hidden = false), AGED_MS);

if (body.dataset.watch) {
  const follow = () => (unlisten(), document.hidden || isLocked() || listen());
  document.addEventListener("visibilitychange", () => (follow(), document.hidden || lookSoon()));
  addEventListener("pagehide", unlisten);
  addEventListener("padpost-locked", unlisten); // nobody reads what comes; the session hears nothing any more
  addEventListener("padpost-unlocked", () => (follow(), lookSoon()));
  addEventListener("pageshow", (event) => event.persisted && follow());
  follow();
  setInterval(() => {
    const late = stream ? ANYWAY_MS : EVERY_MS;
    if (!document.hidden && Date.now() - Math.max(looked, opened) >= late) lookSoon();
  }, EVERY_MS);
}
