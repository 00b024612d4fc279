"use strict";
// The only script: keeps the page of a running trial up to date, and says so when it cannot. Without it the page works
// by its link 'Look again'.

(() => {
  const live = document.getElementById("live");
  if (!live) return;
  const looked = document.getElementById("looked");
  const spoken = document.getElementById("spoken");
  const stale = document.getElementById("stale");
  const usualMs = Number(live.dataset.everyS) * 1000;
  const longestMs = 60000;
  // From then on what is shown is said to be old, also while a look is still under way: a tab may have slept for hours.
  const oldMs = 30000;
  const patienceMs = 1000;
  let tag = live.dataset.tag;
  let read = live.dataset.read;
  let waitMs = usualMs;
  let failures = 0;
  let lastMs = Date.now();
  let timer = 0;
  let asking = false;

  const sentence = () => live.querySelector("h1").textContent;

  const show = (html) => {
    const before = sentence();
    const focused = live.contains(document.activeElement) ? document.activeElement.id : "";
    const open = [...live.querySelectorAll("details[open]")].map((one) => one.id);
    const read = new DOMParser().parseFromString(html, "text/html");
    const figure = read.getElementById("figure");
    // What is drawn already is not sent again.
    if (figure && !figure.querySelector("svg")) figure.replaceWith(document.getElementById("figure"));
    live.replaceChildren(...read.body.childNodes);
    for (const id of open) document.getElementById(id)?.setAttribute("open", "");
    if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
    if (sentence() !== before) spoken.textContent = sentence();
  };

  const fresh = (reply) => {
    read = reply.headers.get("Ebbmark-Read");
    looked.textContent = `Last looked at ${reply.headers.get("Ebbmark-As-Of")}.`;
    stale.hidden = true;
    stale.textContent = "";
    failures = 0;
    lastMs = Date.now();
    waitMs = usualMs;
  };

  const isOld = () => Date.now() - lastMs > oldMs;

  const sayOld = (why) => {
    const seconds = Math.round((Date.now() - lastMs) / 1000);
    const text = `${why} What is shown here is at least ${seconds} seconds old.`;
    if (stale.textContent !== text) stale.textContent = text;
    stale.hidden = false;
  };

  const failed = (why, lasting) => {
    failures += 1;
    waitMs = Math.min(2 * waitMs, longestMs);
    if (failures > 1 || lasting || isOld()) sayOld(why);
  };

  const ask = async () => {
    if (asking) return;
    asking = true;
    const late = window.setTimeout(() => {
      if (isOld()) sayOld("Looking again.");
    }, patienceMs);
    try {
      const headers = tag ? { "If-None-Match": tag } : {};
      if (read) headers["Ebbmark-Read"] = read;
      const figure = document.getElementById("figure");
      if (figure) headers["Ebbmark-Drawn"] = figure.dataset.drawn;
      const reply = await fetch(live.dataset.live, { headers, cache: "no-store", signal: AbortSignal.timeout(20000) });
      if (reply.status === 200) {
        tag = reply.headers.get("ETag");
        show(await reply.text());
        fresh(reply);
      } else if (reply.status === 304) {
        fresh(reply);
      } else {
        const ended = reply.status === 401 || reply.status === 403;
        failed(ended ? "This page may no longer look: open it again from the record."
          : "The service answers with an error, so updates have stopped.", ended);
      }
    } catch {
      failed("The service cannot be reached, so updates have stopped.");
    }
    window.clearTimeout(late);
    asking = false;
    next();
  };

  const next = () => {
    window.clearTimeout(timer);
    timer = window.setTimeout(ask, waitMs);
  };

  document.addEventListener("visibilitychange", () => {
    if (document.hidden) window.clearTimeout(timer);
    else ask();
  });
  next();
})();
