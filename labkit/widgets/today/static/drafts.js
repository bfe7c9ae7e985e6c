// What is being typed, kept in this tab until its form was used: a page that was reloaded, or whose
// program ended, gets it back step by step and says what it did not keep. Only in the parts that
// the page names; never a passphrase, never a code.
const DRAFTS = "labkit-today-drafts";
const MOST_SIGNS = 4000;
const MOST_FIELDS = 300;
const STEP_MS = 150; // between two fields: one may bring the next, or its options

function followDrafts(model, after) {
  const page = model.get("scope");
  const note = document.createElement("p");
  note.className = "lk-back";
  note.setAttribute("role", "status");
  after.after(note);
  const restored = [];
  let over = false;
  let isRestoring = false;
  let waiting = []; // of an earlier page, by step
  let lostBefore = [];
  let store;

  const read = () => {
    try {
      return JSON.parse(sessionStorage.getItem(DRAFTS)) ?? {};
    } catch {
      return {};
    }
  };
  const write = () => {
    try {
      sessionStorage.setItem(DRAFTS, JSON.stringify(store));
    } catch {
      /* a browser that keeps nothing */
    }
  };
  const begin = () => {
    const kept = read();
    const book = model.get("book");
    const isOwn = kept.book === book && Array.isArray(kept.fields) && Array.isArray(kept.lost);
    if (isOwn && kept.page === page) {
      store = kept; // the same page, shown once more: its program still has everything
      return;
    }
    waiting = isOwn ? [...kept.fields] : [];
    lostBefore = isOwn ? kept.lost : [];
    store = { page, book, fields: [...waiting], lost: [] };
    write();
  };

  const named = (node, prefix) =>
    [...node.classList].find((one) => one.startsWith(prefix))?.slice(prefix.length);
  const controlsOf = (row) => [...row.querySelectorAll("input, select, textarea")];
  const formsOf = (part) => [...part.querySelectorAll(".lk-form")];
  const placeOf = (control) => {
    const step = control.closest(`.${page} .lk-step`);
    const part = control.closest(".lk-part");
    const form = control.closest(".lk-form");
    const row = control.closest(".lk-row");
    if (!step || !part || !form || !row) return null;
    return [
      named(step, "lk-step-"),
      named(part, "lk-part-"),
      formsOf(part).indexOf(form),
      named(row, "lk-at-"),
      controlsOf(row).indexOf(control),
    ];
  };
  const find = ([step, part, form, at, index]) => {
    const box = document.querySelector(`.${page} .lk-step-${step} .lk-part-${part}`);
    const inside = box && formsOf(box)[form];
    const rows = inside ? [...inside.querySelectorAll(`.lk-at-${CSS.escape(at)}`)] : [];
    const row = rows.find((one) => one.closest(".lk-form") === inside);
    return row ? controlsOf(row)[index] : undefined;
  };
  const labelOf = (control) => {
    const own = control.labels?.[0] ?? control.closest(".lk-row")?.querySelector("label");
    return (own?.textContent ?? "").trim() || control.closest(".lk-row")?.textContent.trim() || "";
  };
  const valueOf = (control) => {
    if (control.type === "checkbox" || control.type === "radio") return control.checked;
    if (control.matches("select"))
      return [...control.selectedOptions].map((option) => option.textContent);
    return control.value;
  };
  const isSame = (one, other) => JSON.stringify(one) === JSON.stringify(other);
  const isKept = ([step, part]) => (model.get("keeps")[step] ?? []).includes(part);

  const hear = (event) => {
    const control = event.target;
    if (isRestoring || !control.matches?.("input, select, textarea")) return;
    const place = placeOf(control);
    if (!place) return;
    const value = valueOf(control);
    const isSecret = control.type === "password";
    const isHarmless = isKept(place) && !isSecret && control.type !== "file";
    if (isHarmless && JSON.stringify(value).length <= MOST_SIGNS) {
      const others = store.fields.filter((one) => !isSame(one.place, place));
      store.fields = [...others, { place, label: labelOf(control), value }].slice(-MOST_FIELDS);
      waiting = waiting.filter((one) => !isSame(one.place, place));
    } else {
      const label = labelOf(control);
      store.lost = [...new Set([...store.lost, label])].filter(Boolean).slice(-12);
    }
    write();
  };

  // What was used needs no keeping; what was refused is still being typed.
  const pressed = (event) => {
    const button = event.target.closest?.("button.lk-press");
    const form = button?.closest(`.${page} .lk-part .lk-form`);
    if (!form) return;
    const first = controlsOf(form)[0];
    const place = first && placeOf(first);
    let tries = 0;
    const look = () => {
      if (over || tries++ > 300) return;
      if (tries < 3 || form.getAttribute("aria-busy")) return void setTimeout(look, 200);
      if (form.querySelector(".lk-message [role=alert], [aria-invalid=true]")) return;
      store.lost = [];
      if (place) {
        const head = place.slice(0, 3);
        store.fields = store.fields.filter((one) => !isSame(one.place.slice(0, 3), head));
      }
      write();
    };
    look();
  };

  const say = () => {
    const list = (labels) => [...new Set(labels)].map((label) => `'${label}'`).join(", ");
    const sentences = [];
    if (restored.length) sentences.push(`What was being typed is back: ${list(restored)}.`);
    if (lostBefore.length)
      sentences.push(`Not kept, type it again: ${list(lostBefore)}.`);
    note.textContent = sentences.join(" ");
  };

  const put = (control, value) => {
    if (control.type === "checkbox" || control.type === "radio") {
      if (control.checked !== value) control.click();
      return control.checked === value;
    }
    if (control.matches("select")) {
      const options = [...control.options];
      if (!value.every((text) => options.some((option) => option.textContent === text)))
        return false;
      for (const option of options) option.selected = value.includes(option.textContent);
    } else control.value = value;
    control.dispatchEvent(new Event("input", { bubbles: true }));
    control.dispatchEvent(new Event("change", { bubbles: true }));
    return true;
  };
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  const restore = async (one) => {
    for (let tries = 0; tries < 20 && !over; tries += 1) {
      const control = find(one.place);
      if (control && !control.disabled) {
        if (isSame(valueOf(control), one.value)) return true;
        isRestoring = true;
        const isDone = put(control, one.value);
        isRestoring = false;
        if (isDone) {
          restored.push(one.label);
          return true;
        }
      }
      await pause(STEP_MS);
    }
    return false;
  };
  let working = Promise.resolve();
  const visit = () => {
    working = working.then(async () => {
      const step = model.get("chosen");
      const began = Date.now();
      const isMade = () => document.querySelector(`.${page} .lk-step-${step} .lk-part`);
      const own = waiting.filter((one) => one.place[0] === step);
      if (!own.length) return;
      while (!isMade() && !over && Date.now() - began < 60000) await pause(STEP_MS);
      await pause(2 * STEP_MS);
      for (const one of own) {
        if (over || !waiting.includes(one)) continue; // typed anew meanwhile
        waiting = waiting.filter((other) => other !== one);
        if (!(await restore(one))) lostBefore = [...lostBefore, one.label];
        await pause(STEP_MS);
      }
      say();
    });
  };

  begin();
  say();
  visit();
  const renewed = () => {
    waiting = [];
    lostBefore = [];
    begin();
    say();
  };
  document.addEventListener("input", hear, true);
  document.addEventListener("change", hear, true);
  document.addEventListener("click", pressed, true);
  model.on("change:chosen", visit);
  model.on("change:book", renewed);
  return () => {
    over = true;
    document.removeEventListener("input", hear, true);
    document.removeEventListener("change", hear, true);
    document.removeEventListener("click", pressed, true);
    model.off("change:chosen", visit);
    model.off("change:book", renewed);
  };
}
