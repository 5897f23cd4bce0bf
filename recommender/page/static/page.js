"use strict";
// Drop a log anywhere, watch it being taken, and keep the page at what stands. Everything works without it, by forms.
(() => {
  const BUSY_MS = 80;
  const IDLE_MS = 1500;
  const byId = (id) => document.getElementById(id);
  const live = () => byId("live");
  let working = null; // id of the log that this tab has brought
  let said = ""; // id of the last log that was told about
  let timer = 0;
  let turn = 0; // only the latest look goes on

  document.documentElement.classList.add("scripted");

  // ------------------------------------------------------------ telling

  function progress(task) {
    const box = byId("progress");
    box.hidden = !task || task.done;
    live().classList.toggle("stale", !box.hidden); // nobody is to dial in what the log may overtake
    if (!box.hidden) {
      box.querySelector("p").textContent = `${task.name}: ${task.words}. Wait: what is shown is from before this log.`;
      box.querySelector("progress").value = task.stage + 0.5;
    }
  }

  // Whether this tab shows a log on its way, brought by whomever.
  const waits = () => live().classList.contains("stale");

  function problem(text) {
    const box = byId("problem");
    box.textContent = text;
    box.hidden = !text;
  }

  // ------------------------------------------------------------ what stands

  // What was answered; a refusal may be plain words.
  async function read(answer) {
    const text = await answer.text();
    try {
      return JSON.parse(text);
    } catch (error) {
      return { error: text };
    }
  }

  async function refresh(task) {
    const query = new URLSearchParams({ target: live().dataset.target, renewed: "1" });
    if (task) query.set("task", task);
    const answer = await fetch(`/?${query}`, { headers: { accept: "text/html" } });
    if (!answer.ok) return;
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("live");
    if (!fresh) return;
    const moved = fresh.dataset.step !== live().dataset.step;
    const held = document.activeElement && live().contains(document.activeElement) ? document.activeElement.id : "";
    const before = live();
    live().replaceWith(fresh);
    if (!moved) carryOver(before);
    document.title = page.title;
    equip();
    if (held && byId(held)) byId(held).focus({ preventScroll: true });
    if (moved && task) {
      window.scrollTo({ top: 0 });
      // What had the focus is gone: go on from the settings, not from the page's first link.
      if (document.activeElement === document.body) byId("main").focus({ preventScroll: true });
    }
  }

  // While the same step stands, a file that was chosen and values that were typed and not yet kept stay as they are.
  function carryOver(before) {
    for (const field of before.querySelectorAll("input:not([type=hidden])")) {
      const now = byId(field.id);
      if (!now) continue;
      if (field.type === "file") now.replaceWith(field);
      else if (field.value !== field.defaultValue) {
        now.value = field.value;
        if (now.closest("details")) now.closest("details").open = true;
      }
    }
  }

  async function look() {
    clearTimeout(timer);
    const mine = ++turn;
    let wait = IDLE_MS;
    try {
      const answer = await fetch("/state", { headers: { accept: "application/json" } });
      const state = await read(answer);
      if (!answer.ok) throw new Error(state.error);
      const task = state.task;
      if (task && !task.done) {
        wait = BUSY_MS;
        progress(task);
      } else if (task && task.id !== said && (working === task.id || state.mark !== live().dataset.mark || waits())) {
        said = task.id;
        working = null;
        progress(null);
        await refresh(task.id);
      } else if (state.mark !== live().dataset.mark) {
        progress(null);
        await refresh("");
      }
      if (byId("problem").dataset.lost) {
        delete byId("problem").dataset.lost;
        problem("");
        if (waits() && (!task || task.done)) await refresh("");
      }
    } catch (error) {
      byId("problem").dataset.lost = "1";
      const silent = error instanceof TypeError; // no answer at all, in the words of fetch
      problem(silent ? "No answer from nextpull. Is it still running? This page tries again by itself." : error.message);
      if (!silent && live()) {
        live().classList.add("stale");
        const words = live().querySelector(".overtaken");
        if (words) words.textContent = "Wait: what is shown here does not stand. See the message below.";
      }
    }
    if (mine !== turn) return;
    timer = setTimeout(look, document.hidden ? 4 * IDLE_MS : wait);
  }

  // ------------------------------------------------------------ logs

  // Fields of what was dialled in that are empty: after a stop some are, and each has to be said.
  const unsaid = (form) => Array.from(form.querySelectorAll("fieldset input")).filter((field) => !field.value.trim());

  async function bring(file) {
    const form = byId("log-form");
    problem("");
    const empty = unsaid(form)[0];
    if (empty) {
      empty.focus();
      return problem(`${file.name}: say first what was dialled in, then bring the log again. ${empty.labels[0].textContent} is empty.`);
    }
    if (working) return problem("One log after the other: the last one is still being taken.");
    if (file.size > Number(form.dataset.largest)) {
      return problem(`${file.name}: larger than ${Math.round(form.dataset.largest / 1e6)} MB. Cut the recording down to the pull.`);
    }
    const body = new FormData(form);
    body.set("log", file, file.name);
    working = "sent";
    progress({ name: file.name, words: "Sending", stage: 0, done: false });
    try {
      const answer = await fetch("/logs", { method: "POST", body, headers: { accept: "application/json" } });
      const told = await read(answer);
      if (!answer.ok) throw new Error(told.error);
      working = told.id;
      progress(told);
      look();
    } catch (error) {
      working = null;
      progress(null);
      problem(`${file.name} was not taken. ${error.message}`);
    }
  }

  const carriesFiles = (event) => event.dataTransfer && Array.from(event.dataTransfer.types).includes("Files");
  const veil = (shown) => { byId("veil").hidden = !shown; };
  let depth = 0;

  document.addEventListener("dragenter", (event) => {
    if (!carriesFiles(event)) return;
    event.preventDefault();
    depth += 1;
    veil(true);
  });
  document.addEventListener("dragover", (event) => { if (carriesFiles(event)) event.preventDefault(); });
  document.addEventListener("dragleave", () => { depth = Math.max(0, depth - 1); if (!depth) veil(false); });
  document.addEventListener("drop", (event) => {
    if (!carriesFiles(event)) return;
    event.preventDefault();
    depth = 0;
    veil(false);
    const files = event.dataTransfer.files;
    if (files.length !== 1) return problem("One log at a time: one pull is one step.");
    bring(files[0]);
  });

  // ------------------------------------------------------------ the parts that are exchanged

  function equip() {
    const form = byId("log-form");
    byId("explore").addEventListener("click", explore);
    if (form.dataset.equipped) return;
    form.dataset.equipped = "1";
    form.addEventListener("submit", (event) => {
      if (event.submitter && event.submitter.hasAttribute("formaction")) {
        byId("log").disabled = true; // a log that is chosen already need not be sent along
        setTimeout(() => { byId("log").disabled = false; });
        return;
      }
      event.preventDefault();
      const chosen = byId("log").files[0];
      if (chosen) bring(chosen);
    });
    form.addEventListener("change", (event) => {
      if (!event.target.closest("fieldset") || unsaid(form).length) return;
      // Only what was typed here is sent: another tab may have put right another knob meanwhile.
      const body = new FormData();
      for (const field of form.querySelectorAll("fieldset input, input[type=hidden]")) {
        if (field.type === "hidden" || field.value !== field.defaultValue || field === event.target) {
          body.set(field.name, field.value);
        }
      }
      fetch("/dialled", { method: "POST", body, headers: { accept: "application/json" } })
        .then(read)
        .then((told) => { problem(told.error || ""); look(); })
        .catch(() => problem("What was dialled in could not be kept. It still counts if the log is brought from this page."));
    });
  }

  // The figure's script weighs some megabytes: it comes when somebody asks for it.
  function script() {
    if (window.Plotly) return Promise.resolve();
    return new Promise((resolve, reject) => {
      const tag = document.createElement("script");
      tag.src = "/plotly.min.js";
      tag.onload = resolve;
      tag.onerror = () => reject(new Error("The figure's script could not be loaded."));
      document.head.append(tag);
    });
  }

  async function explore(event) {
    const button = event.currentTarget;
    const place = document.querySelector("[data-figure]");
    const dark = matchMedia("(prefers-color-scheme: dark)").matches;
    button.disabled = true;
    try {
      const [answer] = await Promise.all([fetch(`${place.dataset.figure}&theme=${dark ? "dark" : "light"}`), script()]);
      const figure = await answer.json();
      const box = document.createElement("div");
      box.className = "explored";
      place.replaceChildren(box);
      figure.layout.width = Math.max(place.clientWidth, 640);
      await window.Plotly.newPlot(box, figure.data, figure.layout, {
        displayModeBar: false, scrollZoom: false,
      });
      button.replaceWith("Drag over a part to see it larger; double-click to see all of it again.");
    } catch (error) {
      button.disabled = false;
      problem(error.message);
    }
  }

  const shown = new URLSearchParams(location.search).get("task");
  if (shown) {
    said = shown;
    history.replaceState(null, "", `/?target=${encodeURIComponent(live().dataset.target)}`);
  }
  equip();
  fetch("/state").then((answer) => answer.json()).then((state) => {
    if (state.task && state.task.done) said = state.task.id;
    look();
  }).catch(look);
})();
