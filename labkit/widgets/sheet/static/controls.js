// One fieldset per attribute, with the control that suits its scale. Nothing is chosen until it is
// touched: an untouched attribute is missing, never a default.

const KEY_REST_MS = 700; // arrow keys pass over neighbours; where they rest is the score
const NOTE_REST_MS = 1500;

function make(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "class") node.className = value;
    else if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined)
      node.setAttribute(name, value);
  }
  node.append(...children.filter((child) => child !== null));
  return node;
}

const shown = (value) => String(Number(value.toFixed(6)));

/** The score in words: its own word, or the two that it lies between. */
function inWords(scale, value) {
  const exact = scale.words.find(([at]) => at === value);
  if (exact) return exact[1];
  const below = scale.words.filter(([at]) => at < value).at(-1);
  const above = scale.words.find(([at]) => at > value);
  return below && above ? `${below[1]} to ${above[1]}` : "";
}

let groups = 0;
const newGroup = () => `labkit-group-${(groups += 1)}`;

/** Native radio buttons in a row or grid; `pick` is called with the value chosen. */
function radios(options, { label, columns, pick }) {
  const group = newGroup();
  const inputs = options.map(({ value, text, word, off }) => {
    const input = make("input", { type: "radio", name: group, value, disabled: off });
    input.addEventListener("change", () => pick(value));
    const parts = [
      text ? make("span", { class: "lk-number" }, text) : null,
      word ? make("span", { class: "lk-word" }, text ? ` ${word}` : word) : null,
    ];
    return [input, make("label", { class: "lk-pick" }, input, ...parts)];
  });
  const row = make(
    "div",
    { class: "lk-row", role: label ? "radiogroup" : null, "aria-label": label ?? null },
    ...inputs.map(([, face]) => face),
  );
  row.style.setProperty("--columns", columns);
  return {
    node: row,
    show(value) {
      for (const [input] of inputs) input.checked = value !== null && Number(input.value) === value;
    },
  };
}

/** Few scores: one radio button each. */
function gridControl(attribute, give) {
  const { options, words, is_words_only: isWordsOnly } = attribute.scale;
  const wordOf = new Map(words);
  const columns = options.length <= 5 ? options.length : words.length === options.length ? 3 : 6;
  return radios(
    options.map((value) => ({
      value,
      text: isWordsOnly ? "" : shown(value),
      word: wordOf.get(value) ?? "",
    })),
    { columns, pick: give },
  );
}

/** Many scores in halves or quarters: the whole point first, then its parts. */
function wholeAndPartsControl(attribute, give) {
  const { options, words, lowest, highest, step } = attribute.scale;
  const wordOf = new Map(words);
  const wholes = options.filter((value) => Number.isInteger(value));
  const perWhole = Math.round(1 / step);
  const whole = radios(
    wholes.map((value) => ({ value, text: shown(value), word: wordOf.get(value) ?? "" })),
    {
      label: `${attribute.name}, whole points`,
      columns: wholes.length <= 6 ? wholes.length : 6,
      pick: give,
    },
  );
  const parts = make("div", { class: "lk-parts" });
  let row = null;
  let rowOf;
  const show = (value) => {
    const floor = value === null ? null : Math.min(Math.floor(value), highest);
    whole.show(floor);
    // Rebuilt only when it must be: a button replaced under a finger loses its tap.
    if (row === null || rowOf !== floor) {
      rowOf = floor;
      const offered = Array.from({ length: perWhole }, (_, i) => {
        const at = (floor ?? lowest) + i * step;
        const text = floor === null ? (i ? `+${shown(i * step)}` : "whole") : shown(at);
        return { value: at, text, off: floor === null };
      }).filter(({ value }) => value <= highest);
      row = radios(offered, {
        label: `${attribute.name}, ${perWhole === 2 ? "half points" : "parts of a point"}`,
        columns: perWhole,
        pick: give,
      });
      parts.replaceChildren(row.node);
    }
    row.show(value);
  };
  return { node: make("div", {}, whole.node, parts), show };
}

/** Any other scale: a number to type, with a step down and a step up. */
function steppedControl(attribute, give) {
  const { lowest, highest, step, words } = attribute.scale;
  const input = make("input", {
    type: "number",
    class: "lk-typed",
    min: lowest,
    max: highest,
    step,
    inputmode: "decimal",
    "aria-label": `${attribute.name}, ${shown(lowest)} to ${shown(highest)}`,
  });
  input.addEventListener("change", () => give(input.value === "" ? null : Number(input.value)));
  const move = (by) => {
    const from = input.value === "" ? (by > 0 ? lowest - step : highest + step) : +input.value;
    give(Math.min(highest, Math.max(lowest, Number((from + by).toFixed(6)))));
  };
  const button = (text, label, by) =>
    make("button", { type: "button", class: "lk-step", "aria-label": label, onclick: () => move(by) }, text);
  const ends = words.map(([at, word]) => `${shown(at)} ${word}`).join(", ");
  return {
    node: make(
      "div",
      {},
      make(
        "div",
        { class: "lk-stepper" },
        button("−", `${attribute.name}: ${shown(step)} less`, -step),
        input,
        button("+", `${attribute.name}: ${shown(step)} more`, step),
      ),
      ends ? make("p", { class: "lk-ends" }, ends) : null,
    ),
    show: (value) => {
      input.value = value === null ? "" : shown(value);
    },
  };
}

/** Words to check, all that apply. */
function descriptorsControl(attribute, give) {
  const boxes = attribute.choices.map((choice) => {
    const input = make("input", { type: "checkbox", value: choice });
    input.addEventListener("change", () => {
      const checked = boxes.filter(([box]) => box.checked).map(([box]) => box.value);
      give(checked.length ? checked : null);
    });
    return [input, make("label", { class: "lk-pick lk-tag" }, input, make("span", {}, choice))];
  });
  return {
    node: make("div", { class: "lk-tags" }, ...boxes.map(([, face]) => face)),
    show(value) {
      for (const [box] of boxes) box.checked = (value ?? []).includes(box.value);
    },
  };
}

/** A note in the taster's own words. */
function noteControl(attribute, give, draft) {
  const area = make("textarea", {
    class: "lk-note",
    rows: 3,
    maxlength: 2000,
    "aria-label": attribute.name,
  });
  const read = () => (area.value.trim() === "" ? null : area.value);
  area.addEventListener("input", () => draft(read(), NOTE_REST_MS));
  area.addEventListener("change", () => give(read()));
  return {
    node: area,
    show(value) {
      const text = value ?? "";
      if (document.activeElement !== area && area.value !== text) area.value = text;
    },
  };
}

function controlFor(attribute, give, draft) {
  if (attribute.kind === "note") return noteControl(attribute, give, draft);
  if (attribute.kind === "descriptors") return descriptorsControl(attribute, give);
  const { options, step, lowest, highest } = attribute.scale;
  if (options.length <= 12) return gridControl(attribute, give);
  const hasParts = step < 1 && Math.abs(1 / step - Math.round(1 / step)) < 1e-9 && step >= 0.2;
  const isWhole = Number.isInteger(lowest) && Number.isInteger(highest) && highest - lowest <= 20;
  return hasParts && isWhole ? wholeAndPartsControl(attribute, give) : steppedControl(attribute, give);
}

/**
 * The fieldset of one attribute.
 *
 * @param {object} attribute  name, kind, scale or choices
 * @param {{touch: (value: any) => void, draft: (value: any, restMs: number) => void,
 *          byKey: () => boolean}} taken  what to do with a value
 */
function attributeField(attribute, taken) {
  const give = (value) =>
    taken.byKey() && attribute.kind === "number"
      ? taken.draft(value, KEY_REST_MS)
      : taken.touch(value);
  const control = controlFor(attribute, give, taken.draft);
  const now = make("span", { class: "lk-now", id: newGroup() });
  const clear = make(
    "button",
    {
      type: "button",
      class: "lk-clear",
      "aria-label": `Take back ${attribute.name}`,
      onclick: () => taken.touch(null),
    },
    "Take back",
  );
  const field = make(
    "fieldset",
    { class: "lk-field", "aria-describedby": now.id },
    make("legend", { class: "lk-legend" }, attribute.name),
    make("div", { class: "lk-said" }, now, clear),
    control.node,
  );
  return {
    node: field,
    show(value, isLocked) {
      control.show(value);
      const isGiven = value !== null;
      field.classList.toggle("lk-given", isGiven);
      field.disabled = isLocked;
      clear.hidden = !isGiven || isLocked;
      if (!isGiven) now.textContent = attribute.kind === "number" ? "not given" : "none yet";
      else if (attribute.kind !== "number") now.textContent = "";
      else
        now.textContent = [
          attribute.scale.is_words_only ? "" : shown(value),
          inWords(attribute.scale, value),
        ]
          .filter(Boolean)
          .join(", ");
    },
  };
}
