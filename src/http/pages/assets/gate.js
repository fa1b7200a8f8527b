// Conveniences. Everything on these pages can be read and done without this file.
"use strict";

(() => {
  const $ = (selector, within = document) => within.querySelector(selector);
  const all = (selector, within = document) => [...within.querySelectorAll(selector)];

  // The page to try an order: works figures out again when one changes.
  const form = $("#try");
  if (form) {
    let waiting;
    let asked = 0;
    const state = $("#state");
    const again = async (fields) => {
      const mine = ++asked;
      state.textContent = "Working it out …";
      const body = new URLSearchParams(new FormData(form));
      try {
        const answer = await fetch(form.action, { method: "POST", body, credentials: "same-origin" });
        const page = new DOMParser().parseFromString(await answer.text(), "text/html");
        if (mine !== asked) return;
        const result = $("#result", page);
        if (!result) throw new Error("no result");
        $("#result").replaceChildren(...result.childNodes);
        if (fields) $("#fields").replaceChildren(...$("#fields", page).childNodes);
        const said = all("form p.finding", page).map((p) => p.textContent.trim());
        state.textContent = said.length ? said.join(" ") : "Worked out again.";
      } catch {
        if (mine === asked) state.textContent = "It could not be worked out again: the service did not answer. The figures below are old.";
      }
    };
    form.addEventListener("input", (event) => {
      if (event.target.id === "sample") return;
      clearTimeout(waiting);
      waiting = setTimeout(() => again(event.target.id === "json" || event.target.id === "version"), 400);
    });
  }

  // The start-up token may come after the # of the printed address: it is never sent to the service in an address.
  const token = $("#token");
  if (token) {
    const take = () => {
      if (location.hash.length < 2) return;
      token.value = decodeURIComponent(location.hash.slice(1));
      history.replaceState(null, "", location.pathname + location.search);
      $("#person")?.focus();
    };
    take();
    window.addEventListener("hashchange", take);
  }

  // What changed while looking.
  const live = $("[data-live]");
  if (live && window.EventSource) {
    const source = new EventSource(live.dataset.live);
    const { item, version, lane } = live.dataset;
    let mine = false;
    const seen = new Set();
    source.addEventListener("change", (event) => {
      const change = JSON.parse(event.data);
      if (item && (change.item !== item || change.version <= Number(version))) return;
      seen.add(change.item);
      // What another lane does, and a comment, is no conflict with what is done here.
      const after = (at) => !(Number(at) <= Number(version));
      mine ||= after(change.judged) || (lane ? after(change[lane]) : true);
      $("#changed-words").textContent = item
        ? mine
          ? "This order changed while you were looking. What you have written stays."
          : "The other lane did something, or there is a comment. It is not in the way of what you do here, and what you have written stays."
        : seen.size === 1 ? "One order changed or came while you were looking." : `${seen.size} orders changed or came while you were looking.`;
      $("#changed").hidden = false;
    });
    source.onerror = () => {
      const lost = $("#lost");
      if (lost) lost.hidden = false;
    };
    source.onopen = () => {
      const lost = $("#lost");
      if (lost) lost.hidden = true;
    };
  }

  // Keys.
  const off = () => {
    try { return localStorage.getItem("letters") === "off"; } catch { return false; }
  };
  const toggle = $("#keys-toggle");
  if (toggle) {
    const words = () => { toggle.textContent = off() ? "Switch the letters on" : "Switch the letters off"; };
    $("#keys-switch").hidden = false;
    words();
    toggle.addEventListener("click", () => {
      try { localStorage.setItem("letters", off() ? "on" : "off"); } catch { /* kept for this page only */ }
      words();
    });
  }
  const move = (step) => {
    const links = all(".queue a.open");
    if (!links.length) return;
    const here = links.indexOf(document.activeElement);
    const next = here < 0 ? (step > 0 ? 0 : links.length - 1) : Math.min(links.length - 1, Math.max(0, here + step));
    links[next].focus();
  };
  const go = (selector) => {
    const target = $(selector);
    if (!target) return;
    const details = target.closest("details");
    if (details) details.open = true;
    target.focus();
  };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || off()) return;
    if (event.target.closest("input, select, textarea, [contenteditable]")) return;
    const does = {
      j: () => move(1),
      k: () => move(-1),
      "/": () => go("#search"),
      t: () => go("#act-take, #act-give-back"),
      a: () => go("#act-accept"),
      c: () => go("#act-comment"),
      u: () => { if (document.body.dataset.here === "queue") location.assign($("#back") ? $("#back").href : "/queue"); },
      "?": () => location.assign("/keys"),
    }[event.key];
    if (does) {
      event.preventDefault();
      does();
    }
  });
})();
