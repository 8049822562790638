// Hands a token over at the door: the one after # in the address, which is cleared at once, or the one put in by hand.
"use strict";

const door = document.getElementById("door");
const told = document.getElementById("told");

async function enter(token) {
  told.textContent = "One moment.";
  try {
    const answer = await fetch(door.action, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ token }),
      credentials: "same-origin",
      cache: "no-store",
    });
    const said = await answer.json();
    if (answer.ok) location.replace(said.goes_to);
    else told.textContent = said.detail;
  } catch {
    told.textContent = "No connection. Try again.";
  }
}

door.addEventListener("submit", (event) => {
  event.preventDefault();
  enter(door.elements.token.value.trim());
});

const given = location.hash.slice(1);
if (given) {
  history.replaceState(null, "", location.pathname);
  enter(given);
}
