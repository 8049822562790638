// Keeps the cards current: by the event stream where there is one, by asking again every so often where there is none.
// Every card is fetched again from where it stands and exchanged if it has changed. Everything works without this.
"use strict";

const page = document.body.dataset;
const REFRESH_MS = 1000 * (Number(page.refreshS) || 30);
const STREAMED_REFRESH_MS = 4 * REFRESH_MS;
const LONGEST_WAIT_MS = 60000;
const SIGNALS = "filter.pressure_drop,duct.static_pressure";

let lastHeard = new Date();
let stream = null;
let wait = Math.min(1000, REFRESH_MS);
let due = 0;
let busy = false;
let again = false;
let wasOpen = false;
let hasBroken = false;
const drawnAs = new WeakMap();

function tell(place, text) {
  const line = document.querySelector(place);
  if (line && line.textContent !== text) line.textContent = text;
}

function clock(moment) {
  const twelve = page.clock === "12 h";
  return moment.toLocaleTimeString("en", { hour: twelve ? "numeric" : "2-digit", minute: "2-digit", hourCycle: twelve ? "h12" : "h23", timeZone: page.zone });
}

function heard() {
  lastHeard = new Date();
  tell(".connection", "");
}

function lost() {
  tell(".connection", `Offline since ${clock(lastHeard)}. The cards show what was known then.`);
}

function exchange(card, fresh) {
  if (!fresh || fresh.outerHTML === drawnAs.get(card)) return;
  const drawn = fresh.outerHTML;
  const open = [...card.querySelectorAll("details")].map((details) => details.open);
  fresh.querySelectorAll("details").forEach((details, place) => { details.open = Boolean(open[place]); });
  drawnAs.set(fresh, drawn);
  // A card in use keeps its place under the reader's hands until the next round.
  if (card.contains(document.activeElement)) return;
  if (card.id === "alarms") {
    const said = fresh.querySelector(".lead").textContent;
    if (said !== card.querySelector(".lead").textContent) tell(".news", said);
  }
  card.replaceWith(fresh);
}

async function refresh() {
  due = Date.now() + (stream && stream.readyState === EventSource.OPEN ? STREAMED_REFRESH_MS : REFRESH_MS);
  // What came while the cards were being fetched may be newer than they are: they are fetched once more.
  if (busy) { again = true; return; }
  busy = true;
  again = false;
  try {
    for (const card of document.querySelectorAll(".card[data-source]")) {
      const answer = await fetch(card.dataset.source, { credentials: "same-origin", cache: "no-cache" });
      if (!answer.ok) throw new Error(`${card.dataset.source} answered ${answer.status}`);
      exchange(card, new DOMParser().parseFromString(await answer.text(), "text/html").getElementById(card.id));
    }
    heard();
  } catch {
    lost();
  } finally {
    busy = false;
    if (again) refresh();
  }
}

function show(reading) {
  for (const place of document.querySelectorAll(`[data-live="${CSS.escape(reading.signal)}"] data`)) {
    const { perPrinted, decimals } = place.parentElement.dataset;
    const text = (reading.value / Number(perPrinted)).toFixed(Number(decimals));
    place.value = String(reading.value);
    place.textContent = (Number(text) === 0 ? text.replace("-", "") : text).replace("-", "\u2212");
  }
}

function follow() {
  if (!page.live || !window.EventSource) return;
  stream = new EventSource(`${page.live}?signals=${SIGNALS}`);
  stream.addEventListener("open", () => {
    wait = Math.min(1000, REFRESH_MS);
    heard();
    // The cards that came with the page are fresh; after a break they may not be.
    if (hasBroken) refresh();
    wasOpen = true;
    hasBroken = false;
  });
  stream.addEventListener("reading", (event) => { lastHeard = new Date(); show(JSON.parse(event.data)); });
  for (const kind of ["assessment", "alarm", "reset"]) stream.addEventListener(kind, refresh);
  stream.addEventListener("error", () => {
    due = Math.min(due, Date.now() + REFRESH_MS);
    // Whether only the stream broke or the service is gone, asking tells; once is enough.
    if (wasOpen) refresh();
    wasOpen = false;
    hasBroken = true;
    // A browser comes back to a stream by itself unless it was turned away; then it is asked again, ever more seldom.
    if (stream.readyState !== EventSource.CLOSED) return;
    setTimeout(follow, wait * (0.75 + 0.5 * Math.random()));
    wait = Math.min(2 * wait, LONGEST_WAIT_MS);
  });
}

document.addEventListener("visibilitychange", () => { if (!document.hidden && Date.now() >= due) refresh(); });
due = Date.now() + REFRESH_MS;
setInterval(() => { if (!document.hidden && Date.now() >= due) refresh(); }, Math.min(1000, REFRESH_MS));
// After the page has loaded: a stream that opens before would keep it loading for ever in the eyes of some browsers.
addEventListener("load", () => setTimeout(follow));
