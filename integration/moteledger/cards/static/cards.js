// Keeps the cards current: every card is fetched again from where it stands and exchanged if it has changed.
// Everything on the page works without this.
"use strict";

const refreshSeconds = Number(document.body.dataset.refreshS) || 30;
let lostAt = null;

function tell(text) {
  const line = document.querySelector(".connection");
  if (line && line.textContent !== text) line.textContent = text;
}

async function refresh(card) {
  const answer = await fetch(card.dataset.source, { credentials: "same-origin", cache: "no-store" });
  if (!answer.ok) throw new Error(`${card.dataset.source} answered ${answer.status}`);
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").getElementById(card.id);
  if (!fresh || fresh.outerHTML === card.dataset.drawn) return;
  const drawn = fresh.outerHTML;
  const open = [...card.querySelectorAll("details")].map((details) => details.open);
  fresh.querySelectorAll("details").forEach((details, place) => { details.open = Boolean(open[place]); });
  fresh.dataset.drawn = drawn;
  // A card in use keeps its place under the reader's hands until the next round.
  if (!card.contains(document.activeElement)) card.replaceWith(fresh);
}

async function round() {
  if (!document.hidden) {
    try {
      for (const card of document.querySelectorAll(".card[data-source]")) await refresh(card);
      lostAt = null;
      tell("");
    } catch {
      lostAt = lostAt || new Date();
      const clock = lostAt.toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
      tell(`No connection since ${clock}. The cards show what was known then.`);
    }
  }
  setTimeout(round, 1000 * refreshSeconds);
}

setTimeout(round, 1000 * refreshSeconds);
