// Follows the stream of changes, says when it has lost it, and sends what is tapped.
"use strict";
(() => {
  const SILENCE = 4000; // ms without a word from the computer after which what is shown is old
  const LOOKS = ["as the device", "day", "night"];
  const at = (id) => document.getElementById(id);
  const body = document.body;
  let stream = null;
  let heardAt = Date.now();
  let wait = 1000;

  const say = (id, text) => {
    const part = at(id);
    if (part && part.textContent !== text) part.textContent = text;
  };

  const pair = (paired) => {
    if (!paired) return;
    body.dataset.paired = paired;
    for (const button of document.querySelectorAll('[action="/do"] button')) button.disabled = paired !== "yes";
  };

  const show = (change) => {
    if (change.build && change.build !== body.dataset.build) return location.reload();
    if (change.state && "rods" in change.state && at("rods").dataset.state !== change.state.rods) {
      return location.reload();
    }
    for (const [id, text] of Object.entries(change.text || {})) say(id, text);
    for (const [id, state] of Object.entries(change.state || {})) {
      const part = at(id);
      if (part) part.dataset.state = state;
    }
    tellTime();
    if (change.picture) at("picture").innerHTML = change.picture;
    pair(change.paired);
    if (change.number !== undefined) body.dataset.shown = change.number;
  };

  // The device is aboard: its time of day is the boat's.
  const tellTime = () => {
    const now = new Date(at("utc").dataset.state);
    const two = (number) => String(number).padStart(2, "0");
    if (!isNaN(now)) say("clock", [now.getHours(), now.getMinutes(), now.getSeconds()].map(two).join(":"));
  };

  const alive = () => {
    heardAt = Date.now();
    wait = 1000;
    if (body.dataset.contact === "lost") {
      body.dataset.contact = "back";
      say("contact", "Contact again.");
      setTimeout(() => body.dataset.contact === "back" && say("contact", ""), 4000);
    }
  };

  const lost = () => {
    if (body.dataset.contact === "lost") return;
    body.dataset.contact = "lost";
    const since = new Date(heardAt).toTimeString().slice(0, 8);
    say("contact", `NO CONTACT with the boat's computer since ${since}. All that is shown is old.`);
  };

  const follow = () => {
    if (stream) stream.close();
    stream = new EventSource("/stream");
    stream.addEventListener("change", (event) => {
      alive();
      show(JSON.parse(event.data));
    });
    stream.addEventListener("beat", alive);
    stream.onerror = () => {
      // A server that is away is asked again by the browser itself; one that refused is not.
      if (stream.readyState !== EventSource.CLOSED) return;
      setTimeout(follow, wait);
      wait = Math.min(2 * wait, 10000);
    };
  };

  const send = async (form, button) => {
    const pairing = Boolean(form.closest(".pairing"));
    const told = pairing ? "pair-told" : "told";
    const fields = new URLSearchParams(new FormData(form));
    if (button && button.name) fields.set(button.name, button.value);
    if (button) button.setAttribute("aria-disabled", "true");
    try {
      const answer = await fetch(form.action, {
        method: "POST",
        body: fields,
        headers: { Accept: "application/json" },
        signal: AbortSignal.timeout(5000),
      });
      const what = await answer.json();
      say(told, what.told);
      pair(what.paired);
      if (what.paired === "yes" && pairing) {
        form.reset();
        if (body.dataset.door) location.reload();
        else say("told", what.told);
      }
    } catch {
      say(told, "NOT SENT: no contact. Say it instead.");
    }
    if (button) setTimeout(() => button.removeAttribute("aria-disabled"), 400);
  };

  document.addEventListener("submit", (event) => {
    event.preventDefault();
    const button = event.submitter;
    if (!button || button.getAttribute("aria-disabled") !== "true") send(event.target, button);
  });

  const look = at("look");
  if (look) {
    const wear = (name) => {
      document.documentElement.dataset.look = name;
      look.textContent = `Look: ${name}`;
    };
    let worn = LOOKS[0];
    try {
      worn = LOOKS.find((name) => name === localStorage.getItem("look")) || worn;
    } catch { /* a device that keeps nothing looks as it is set */ }
    wear(worn);
    look.hidden = false;
    look.addEventListener("click", () => {
      worn = LOOKS[(LOOKS.indexOf(worn) + 1) % LOOKS.length];
      wear(worn);
      try {
        localStorage.setItem("look", worn);
      } catch { /* then it is forgotten */ }
    });
  }

  if (body.dataset.door) return;
  follow();
  setInterval(() => {
    if (Date.now() - heardAt <= SILENCE) return;
    lost();
    if (Date.now() - heardAt > 5 * SILENCE && stream.readyState !== EventSource.CLOSED) {
      heardAt = Date.now() - SILENCE - 1;
      follow();
    }
  }, 500);
})();
