// What a form needs of the browser: names and marks on its fields, one press at a time, and the
// focus where the work goes on. It shows nothing itself.

const TWICE_MS = 400; // a finger that slips presses again sooner than this
const WIDE_PX = 900; // from here on what is asked and what comes of it stand side by side

function render({ model, el }) {
  let form = null;
  let pressed = null; // the button whose work is under way, or was the last
  let pressedAt = -1e9;
  let entered = false; // anything, since the last press: the next one is meant
  let waiting = null; // the button of such a press while work is under way
  let timer = 0;
  let over = false;

  const own = (selector) =>
    [...form.querySelectorAll(selector)].filter((one) => one.closest(".lk-form") === form);
  const rowOf = (name) => own(`.lk-at-${name.replaceAll(" ", "-")}`)[0];
  const seen = (node) => node.isConnected && node.getClientRects().length > 0;
  const id = (node) => (node.id ||= `lk-${Math.random().toString(36).slice(2)}`);
  const set = (node, name, value) => {
    if (value === null) node.removeAttribute(name);
    else if (node.getAttribute(name) !== value) node.setAttribute(name, value);
  };

  // A set of choices is one field with one name; whatever else stands in a row carries its own.
  const name = (row, label) => {
    const group = row.querySelector(".widget-radio-box, .lk-ticks");
    if (!group) return;
    set(group, "role", group.matches(".lk-ticks") ? "group" : "radiogroup");
    set(group, "aria-label", label);
  };
  const controls = (row) => {
    const radios = row.querySelector("[role=radiogroup]");
    return radios ? [radios] : [...row.querySelectorAll("input, select, textarea")];
  };
  // What the focus comes to is read out with its field; what is found while one types is told.
  const mark = (row, isWrong, isRefused) => {
    const note = row.querySelector(".lk-note .widget-html-content") ?? row.querySelector(".lk-note");
    if (note) set(note, "aria-live", isRefused ? "off" : "polite");
    for (const control of controls(row)) {
      set(control, "aria-invalid", isWrong ? "true" : null);
      set(control, "aria-describedby", isWrong && note ? id(note) : null);
    }
  };
  // A list of choices cannot break its lines: what does not fit into it stands below as a whole.
  const ruler = document.createElement("canvas").getContext("2d");
  const whole = (select) => {
    const row = select.closest(".lk-row");
    if (!row || select.multiple || !seen(select)) return;
    const look = getComputedStyle(select);
    ruler.font = look.font;
    const text = select.selectedOptions[0]?.textContent ?? "";
    const room = select.clientWidth - parseFloat(look.paddingLeft) - parseFloat(look.paddingRight);
    const isCut = ruler.measureText(text).width > room;
    let below = row.querySelector(":scope > .lk-whole");
    if (!below && !isCut) return;
    if (!below) {
      below = document.createElement("div");
      below.className = "lk-whole";
      below.setAttribute("aria-hidden", "true"); // the list itself says it
      select.closest(".lk-field, .lk-row > *").after(below);
    }
    const shown = isCut ? text.replaceAll("\u00a0", " ") : "";
    if (below.textContent !== shown) below.textContent = shown;
  };
  const busy = () => {
    const isBusy = model.get("busy");
    set(form, "aria-busy", isBusy ? "true" : null);
    for (const button of own("button.lk-press")) {
      set(button, "aria-disabled", isBusy ? "true" : null);
      button.classList.toggle("lk-busy", isBusy && button === pressed);
    }
  };
  const dress = () => {
    if (over) return;
    const wrong = model.get("wrong");
    for (const [field, label] of Object.entries(model.get("labels"))) {
      const row = rowOf(field);
      if (!row) continue;
      name(row, label);
      mark(row, field in wrong, wrong[field]);
    }
    for (const said of own(".lk-message")) {
      set(said, "aria-live", "polite");
      set(said, "tabindex", "-1");
    }
    own("select").forEach(whole);
    // What scrolls sideways must scroll by key as well.
    for (const part of own(".widget-html-content, .widget-html-content [style*=overflow]")) {
      const scrolls = part.scrollWidth > part.clientWidth + 1;
      if (!scrolls && !part.classList.contains("lk-scrolls")) continue;
      part.classList.toggle("lk-scrolls", scrolls);
      set(part, "tabindex", scrolls ? "0" : null);
      set(part, "role", scrolls ? "group" : null);
      set(part, "aria-label", scrolls ? "wider than the page: scroll sideways" : null);
    }
    busy();
  };
  const now = () => {
    if (form) dress();
    soon();
  };
  const soon = () => {
    timer ||= setTimeout(() => {
      timer = 0;
      dress();
    }, 30);
  };

  // A fold may be opening, a sentence on its way: look for a second before giving up.
  const focus = (find, tries = 25) => {
    if (over) return;
    const target = find();
    for (let at = target?.closest(".lk-fold"); at; at = at.parentElement.closest(".lk-fold")) {
      at.querySelector(":scope > .lk-fold-line [aria-expanded=false]")?.click();
    }
    if (target && seen(target)) {
      target.focus({ preventScroll: true });
      (target.closest(".lk-row") ?? target).scrollIntoView({ block: "nearest" });
    } else if (tries) setTimeout(() => focus(find, tries - 1), 40);
  };
  const entry = (field) => {
    const row = rowOf(field);
    const inputs = row ? [...row.querySelectorAll("input, select, textarea, button")] : [];
    return inputs.find((one) => one.checked) ?? inputs.find((one) => !one.disabled);
  };
  const hear = (message) => {
    if (message.kind !== "focus" || !form || !document.hasFocus()) return;
    focus(() => (message.field ? entry(message.field) : own(".lk-message")[0]));
  };

  const guard = (event) => {
    const button = event.target.closest?.("button.lk-press");
    if (!button || button.closest(".lk-form") !== form) return;
    const since = performance.now() - pressedAt;
    const isAgain = button === pressed && since < TWICE_MS && !entered;
    pressedAt += since;
    if (model.get("busy") || isAgain) {
      if (entered) waiting = button;
      event.stopImmediatePropagation();
      event.preventDefault();
    } else pressed = button;
    entered = false;
  };
  const enter = (event) => {
    entered ||= event.isTrusted;
    soon();
  };
  // Leaving a field takes back what was said of it, and the button moves while it is being pressed:
  // it is pressed all the same.
  const hold = (event) => {
    const button = event.target.closest?.("button.lk-press");
    if (button && event.isPrimary) button.setPointerCapture(event.pointerId);
  };
  const finished = () => {
    soon();
    // A button that went away with its work must not take the focus with it.
    if (model.get("busy") || !pressed) return;
    if (waiting) {
      const held = waiting;
      waiting = null;
      entered = true;
      return void held.click();
    }
    const button = pressed;
    const lost = () => document.activeElement === document.body || !seen(document.activeElement);
    setTimeout(() => {
      if (!over && seen(form) && !seen(button) && lost()) focus(() => own(".lk-message")[0], 3);
    }, 300);
  };
  // In a notebook single keys cut cells and Enter edits them: keys typed in a form stay in it.
  const keep = (event) => {
    if (!event.ctrlKey && !event.metaKey && event.key !== "Escape") event.stopPropagation();
  };

  const changes = new MutationObserver(soon);
  const size = new ResizeObserver(() => {
    form.classList.toggle("lk-wide", form.clientWidth >= WIDE_PX);
    soon();
  });
  const begin = () => {
    if (over) return;
    form = el.closest(".lk-form");
    if (!form || !el.isConnected) return void setTimeout(begin, 30);
    form.addEventListener("pointerdown", hold, true);
    form.addEventListener("click", guard, true);
    form.addEventListener("keydown", keep);
    for (const kind of ["input", "change"]) form.addEventListener(kind, enter, true);
    changes.observe(form, { childList: true, subtree: true });
    size.observe(form);
    dress();
  };
  model.on("change:wrong", now);
  model.on("change:labels", soon);
  model.on("change:busy", finished);
  model.on("msg:custom", hear);
  begin();
  return () => {
    over = true;
    changes.disconnect();
    size.disconnect();
    form?.removeEventListener("pointerdown", hold, true);
    form?.removeEventListener("click", guard, true);
    form?.removeEventListener("keydown", keep);
    for (const kind of ["input", "change"]) form?.removeEventListener(kind, enter, true);
    model.off("change:wrong", now);
    model.off("change:labels", soon);
    model.off("change:busy", finished);
    model.off("msg:custom", hear);
  };
}
export default { render };
