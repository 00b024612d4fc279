"use strict";
// A stop fills the top of the page: a place of its own, so that it is announced once and not with each new look.
const showStop = (part) => {
  const stop = document.getElementById("stop");
  const text = part.querySelector("[data-stop]")?.textContent ?? "";
  if (stop.textContent !== text) stop.textContent = text;
  stop.hidden = text === "";
};

// How long PEEP has been as it is, counting.
const countDwell = (part, nowMs) => {
  for (const one of part.querySelectorAll("[data-since-s]")) {
    const seconds = Math.max(0, Math.floor(nowMs / 1000 - Number(one.dataset.sinceS)));
    const minutes = Math.floor(seconds / 60);
    if (minutes < 120) one.textContent = minutes ? `${minutes} min ${seconds % 60} s` : `${seconds} s`;
  }
};

// Keeps the page of a running trial up to date, and says so when it cannot. Without it the page works by its link
// 'Look again'.

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
  // Without the service the last answer stays, with its age; after a minute nobody should act on it. Our own choice.
  const tooOldMs = 60000;
  let asOf = "";
  let tag = live.dataset.tag;
  let read = live.dataset.read;
  let waitMs = usualMs;
  let failures = 0;
  let lastMs = Date.now();
  let timer = 0;
  let asking = false;

  const sentence = () => live.querySelector("h1").textContent;
  const openedMs = performance.now();
  const nowMs = () => Number(live.dataset.nowMs) + Number(live.dataset.speed) * (performance.now() - openedMs);

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
    countDwell(live, nowMs());
    showStop(live);
    if (sentence() !== before) spoken.textContent = sentence();
  };

  const fresh = (reply) => {
    read = reply.headers.get("Ebbmark-Read");
    asOf = `Last looked at ${reply.headers.get("Ebbmark-As-Of")}`;
    looked.textContent = `${asOf}.`;
    stale.hidden = true;
    stale.textContent = "";
    failures = 0;
    lastMs = Date.now();
    waitMs = usualMs;
  };

  const isOld = () => Date.now() - lastMs > oldMs;
  const isTooOld = () => Date.now() - lastMs > tooOldMs;

  // The age counts where it is read and not spoken; the alert speaks once more when the answer has become too old.
  const countAge = () => {
    if (stale.hidden) return;
    if (!asOf) asOf = looked.textContent.replace(/\.$/, "");
    looked.textContent = `${asOf}, ${Math.round((Date.now() - lastMs) / 1000)} s ago.`;
    if (isTooOld() && !stale.textContent.startsWith("Too old")) sayOld("No newer answer has come.");
  };

  const sayOld = (why) => {
    const seconds = Math.round((Date.now() - lastMs) / 1000);
    const what = `What is shown here is at least ${seconds} seconds old.`;
    const text = isTooOld() ? `Too old to act on: look at the patient and the ventilator. ${why} ${what}` : `${why} ${what}`;
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
  window.addEventListener("offline", () => failed("This device is offline.", true));
  window.addEventListener("online", ask);
  window.setInterval(() => {
    countDwell(live, nowMs());
    countAge();
  }, 1000);
  countDwell(live, nowMs());
  next();
})();

// Entering by hand: the rows stand in the table of the form and, until they are sent, in this browser's store under a
// key of this patient alone. Without this part the table works as a plain form.
(() => {
  const prefix = "ebbmark-typed:";
  const sent = document.getElementById("sent");
  if (sent) localStorage.removeItem(prefix + sent.dataset.key);
  const rows = document.getElementById("rows");
  if (!rows) return;
  const one = document.getElementById("one");
  const fault = document.getElementById("fault");
  const computed = document.getElementById("computed");
  const body = rows.querySelector("tbody");
  const store = prefix + rows.dataset.key;
  const speed = Number(rows.dataset.speed);
  const openedMs = performance.now();
  const longestMs = 12 * 3600 * 1000;
  const waitMs = 500;
  let timer = 0;
  let asking = null;

  const nowMs = () => Number(rows.dataset.nowMs) + speed * (performance.now() - openedMs);
  const clock = () => new Date(nowMs() + Number(rows.dataset.offsetMin) * 60000).toISOString().slice(11, 19);
  const inputs = (row) => [...row.querySelectorAll("input, select")];
  const values = (row) => inputs(row).map((input) => input.value.trim());
  const isBlank = (row) => values(row).slice(1).every((value) => value === "");
  const every = () => [...body.rows];

  const wrong = (input) => {
    const text = input.value.trim();
    if (text === "") return "";
    const { label, unit, low, high } = input.dataset;
    const value = Number(text.replace(",", "."));
    const told = (sentence) => sentence
      .replaceAll("{unit}", unit).replaceAll("{low}", Number(low)).replaceAll("{high}", Number(high))
      .replaceAll("{label}", label).replaceAll("{typed}", () => text);
    if (!/^\d{1,4}([.,]\d{1,2})?$/.test(text)) return told(one.dataset.noNumber);
    return value < Number(low) || value > Number(high) ? told(one.dataset.outOfRange) : "";
  };

  const judge = (input) => {
    const text = wrong(input);
    input.setAttribute("aria-invalid", String(text !== ""));
    return text;
  };

  const say = (text) => {
    if (fault.textContent !== text) fault.textContent = text;
    fault.hidden = text === "";
  };

  const checked = () => {
    const texts = [...one.querySelectorAll("input"), ...body.querySelectorAll("input[data-low]")].map(judge);
    say(texts.find((text) => text !== "") ?? "");
  };

  const tidy = () => {
    for (const row of every()) {
      row.hidden = isBlank(row);
      row.querySelector("[data-remove]").hidden = false;
    }
    rows.hidden = every().every(isBlank);
  };

  const keep = () => {
    const typed = every().filter((row) => !isBlank(row)).map(values);
    if (typed.length) localStorage.setItem(store, JSON.stringify({ at: nowMs(), typed }));
    else localStorage.removeItem(store);
  };

  const fill = (row, typed) => inputs(row).forEach((input, place) => { input.value = typed[place] ?? ""; });

  const blank = () => {
    const found = every().find(isBlank);
    if (found) return found;
    const row = body.rows[0].cloneNode(true);
    fill(row, []);
    body.append(row);
    return row;
  };

  const restore = () => {
    let kept = null;
    try {
      kept = JSON.parse(localStorage.getItem(store));
    } catch {
      localStorage.removeItem(store);
    }
    for (const row of every()) fill(row, []);
    // Older rows are of another trial: the service takes clock times of the last 12 hours only.
    if (kept && nowMs() - kept.at < longestMs) for (const typed of kept.typed) fill(blank(), typed);
    else localStorage.removeItem(store);
  };

  const compute = async () => {
    asking?.abort();
    if (every().every(isBlank)) {
      computed.replaceChildren();
      return;
    }
    asking = new AbortController();
    const fields = new URLSearchParams(new FormData(rows));
    try {
      const reply = await fetch("steps?fragment", { method: "POST", body: fields, signal: asking.signal });
      if (!reply.ok) throw new Error("refused");
      const read = new DOMParser().parseFromString(await reply.text(), "text/html");
      computed.replaceChildren(...read.body.childNodes);
      countDwell(computed, nowMs());
      showStop(computed);
    } catch (error) {
      if (error.name === "AbortError") return;
      const text = document.createElement("p");
      text.className = "notice";
      text.textContent = one.dataset.noAnswer;
      computed.replaceChildren(text);
    }
  };

  const changed = () => {
    keep();
    tidy();
    checked();
    window.clearTimeout(timer);
    timer = window.setTimeout(compute, waitMs);
  };

  one.addEventListener("submit", (event) => {
    event.preventDefault();
    const fields = [...one.querySelectorAll("input, select")];
    checked();
    const bad = fields.find((input) => input.matches("input") && wrong(input) !== "");
    if (bad) {
      bad.focus();
      return;
    }
    if (fields.every((input) => input.value.trim() === "")) return;
    fill(blank(), [clock(), ...fields.map((input) => input.value.trim())]);
    // PEEP stays, as it does at the bedside; all else is read anew.
    for (const input of fields.slice(1)) input.value = "";
    fields[1].focus();
    changed();
  });

  let last = one.querySelector("input");
  one.addEventListener("focusin", (event) => {
    if (event.target.matches("input")) last = event.target;
  });
  one.addEventListener("input", checked);
  one.addEventListener("click", (event) => {
    const key = event.target.dataset.key;
    if (!key) return;
    if (key === "next") {
      const fields = [...one.querySelectorAll("input")];
      fields[(fields.indexOf(last) + 1) % fields.length].focus();
      return;
    }
    last.value = key === "back" ? last.value.slice(0, -1) : (last.value + key).slice(0, last.maxLength);
    checked();
  });

  rows.addEventListener("input", changed);
  rows.addEventListener("click", (event) => {
    if (!event.target.closest("[data-remove]")) return;
    fill(event.target.closest("tr"), []);
    changed();
    last.focus();
  });
  document.getElementById("discard").addEventListener("click", () => {
    for (const row of every()) fill(row, []);
    changed();
    last.focus();
  });
  window.addEventListener("storage", (event) => {
    if (event.key !== store) return;
    restore();
    tidy();
    compute();
  });

  // What the service sent back stands in the table already; else what this browser kept.
  if (every().every(isBlank)) restore();
  else keep();
  one.hidden = false;
  document.getElementById("kept").hidden = false;
  document.getElementById("discard").hidden = false;
  document.getElementById("look").hidden = true;
  tidy();
  window.setInterval(() => countDwell(computed, nowMs()), 1000);
  showStop(computed);
  if (computed.childElementCount === 0) compute();
})();
