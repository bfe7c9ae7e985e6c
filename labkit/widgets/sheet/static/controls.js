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

/** The score in words: its own word, or the two that it lies between. */
function inWords(scale, value) {
  const exact = scale.words.find(([at]) => at === value);
  if (exact) return exact[1];
  const below = scale.words.filter(([at]) => at < value).at(-1);
  const above = scale.words.find(([at]) => at > value);
  return below && above
    ? _("{below} to {above}", { below: below[1], above: above[1] })
    : "";
}

let groups = 0;
const newGroup = () => `labkit-group-${(groups += 1)}`;

/** Native radio buttons in a row or grid; `pick` is called with the value chosen. */
function radios(options, { label, columns, pick }) {
  const group = newGroup();
  const inputs = options.map(({ value, text, word, key, off }) => {
    const input = make("input", { type: "radio", name: group, value, disabled: off });
    input.addEventListener("change", () => pick(value));
    const parts = [
      key ? make("span", { class: "lk-key", "aria-hidden": "true" }, key) : null,
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
    focus() {
      const free = inputs.map(([input]) => input).filter((input) => !input.disabled);
      (free.find((input) => input.checked) ?? free[0])?.focus();
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
      key: isWordsOnly ? shown(value) : "",
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
    wholes.map((value) => ({
      value,
      text: shown(value),
      word: wordOf.get(value) ?? "",
    })),
    {
      label: _("{question}, whole points", { question: attribute.title }),
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
      const offered = Array.from({ length: perWhole }, (_at, i) => {
        const at = (floor ?? lowest) + i * step;
        const text = floor === null ? (i ? `+${shown(i * step)}` : _("whole")) : shown(at);
        return { value: at, text, off: floor === null };
      }).filter(({ value }) => value <= highest);
      row = radios(offered, {
        label: perWhole === 2
          ? _("{question}, half points", { question: attribute.title })
          : _("{question}, parts of a point", { question: attribute.title }),
        columns: perWhole,
        pick: give,
      });
      parts.replaceChildren(row.node);
    }
    row.show(value);
  };
  const isLong = wholes.length > 9; // words do not fit under numbers side by side
  const ends = isLong ? endsOf(attribute.scale) : null;
  ends?.setAttribute("aria-hidden", "true"); // said with each number
  const node = make("div", { class: isLong ? "lk-long" : "" }, whole.node, parts, ends);
  node.style.setProperty("--wholes", wholes.length);
  return { node, show, focus: whole.focus };
}

/** The words of a scale in a line. */
function endsOf(scale) {
  const ends = scale.words.map(([at, word]) => `${shown(at)} ${word}`).join(", ");
  return ends ? make("p", { class: "lk-ends" }, ends) : null;
}

/** Any other scale: a number to type, with a step down and a step up. */
function steppedControl(attribute, give) {
  const { lowest, highest, step } = attribute.scale;
  const input = make("input", {
    type: "number",
    class: "lk-typed",
    min: lowest,
    max: highest,
    step,
    inputmode: "decimal",
    "aria-label": _("{question}, {lowest} to {highest}", {
      question: attribute.title,
      lowest: shown(lowest),
      highest: shown(highest),
    }),
  });
  input.addEventListener("change", () => give(input.value === "" ? null : Number(input.value)));
  const move = (by) => {
    const from = input.value === "" ? (by > 0 ? lowest - step : highest + step) : +input.value;
    give(Math.min(highest, Math.max(lowest, Number((from + by).toFixed(6)))));
  };
  const button = (text, label, by) =>
    make("button", { type: "button", class: "lk-step", "aria-label": label, onclick: () => move(by) }, text);
  return {
    node: make(
      "div",
      {},
      make(
        "div",
        { class: "lk-stepper" },
        button(
          "−",
          _("{question}: {step} less", { question: attribute.title, step: shown(step) }),
          -step,
        ),
        input,
        button(
          "+",
          _("{question}: {step} more", { question: attribute.title, step: shown(step) }),
          step,
        ),
      ),
      endsOf(attribute.scale),
    ),
    show: (value) => {
      input.value = value === null ? "" : plain(value);
    },
    focus: () => input.focus(),
  };
}

/** Words to check, all that apply. */
function descriptorsControl(attribute, give) {
  const boxes = attribute.choices.map((choice, i) => {
    const input = make("input", { type: "checkbox", value: choice });
    input.addEventListener("change", () => {
      const checked = boxes.filter(([box]) => box.checked).map(([box]) => box.value);
      give(checked.length ? checked : null);
    });
    const key = i < 10 ? make("span", { class: "lk-key", "aria-hidden": "true" }, (i + 1) % 10) : null;
    return [input, make("label", { class: "lk-pick lk-tag" }, input, key, make("span", {}, choice))];
  });
  return {
    node: make("div", { class: "lk-tags" }, ...boxes.map(([, face]) => face)),
    show(value) {
      for (const [box] of boxes) box.checked = (value ?? []).includes(box.value);
    },
    focus: () => boxes[0]?.[0].focus(),
    /** Check or uncheck by its number: 1 to 9, then 0. */
    flip: (sign) => boxes[(Number(sign) + 9) % 10]?.[0].click(),
  };
}

/** A note in the taster's own words. */
function noteControl(attribute, give, draft) {
  const area = make("textarea", {
    class: "lk-note",
    rows: 3,
    maxlength: 2000,
    "aria-label": attribute.title,
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
    focus: () => area.focus(),
  };
}

/** Whether a question takes the whole width where others stand side by side. */
const isBroad = ({ kind, scale }) =>
  kind === "number" && scale.options.length > 6 && scale.options.length <= 12 &&
  scale.words.length > 4;

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
 * @param {object} attribute  name, title (the name as its reader says it), kind, scale or choices
 * @param {{score: (value: any) => void, draft: (value: any, restMs: number) => void,
 *          byKey: () => boolean}} taken  what to do with a value
 */
function attributeField(attribute, taken) {
  const give = (value) =>
    taken.byKey() && attribute.kind === "number"
      ? taken.draft(value, KEY_REST_MS)
      : taken.score(value);
  const control = controlFor(attribute, give, taken.draft);
  const now = make("span", { class: "lk-now", id: newGroup() });
  const clear = make(
    "button",
    {
      type: "button",
      class: "lk-clear",
      "aria-label": _("Take back {question}", { question: attribute.title }),
      onclick: () => taken.score(null),
    },
    _("Take back"),
  );
  const field = make(
    "fieldset",
    { class: `lk-field ${isBroad(attribute) ? "lk-broad" : ""}`, "aria-describedby": now.id },
    make("legend", { class: "lk-legend" }, attribute.title),
    make("div", { class: "lk-said" }, now, clear),
    control.node,
  );
  const typed = attribute.scale ? typist(attribute.scale) : null;
  field.addEventListener("focusout", (event) => {
    if (!field.contains(event.relatedTarget)) typed?.forget();
  });
  return {
    node: field,
    focus: control.focus,
    takeBack() {
      typed?.forget();
      if (!clear.hidden) taken.score(null);
    },
    /** A sign typed on this question; true if it is answered, a sentence if it cannot be. */
    type(sign) {
      if (field.disabled) return false;
      if (attribute.kind === "descriptors") {
        if (/\d/.test(sign)) control.flip(sign);
        return false;
      }
      const { value, isOff, isComplete, text } = typed.take(sign);
      if (isOff) return _("{text} is not on this scale.", { text });
      if (value !== null && isComplete) taken.score(value);
      else if (value !== null) taken.draft(value, KEY_REST_MS);
      return Boolean(isComplete);
    },
    show(value, isLocked) {
      control.show(value);
      const isGiven = value !== null;
      field.classList.toggle("lk-given", isGiven);
      field.disabled = isLocked;
      clear.hidden = !isGiven || isLocked;
      if (!isGiven) now.textContent = attribute.kind === "number" ? _("not given") : _("none yet");
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

const NONE = -1; // no cup of a set is marked, which is an answer where it may be

/**
 * The one question of a set: which of its cups?
 *
 * @param {object} attribute  its scale marks one of a set
 * @param {{cups: {code: string, isReference: boolean}[], score: (chosen: ?number) => void,
 *          draft: (chosen: number) => void, byKey: () => boolean}} taken  cups in the order they
 *          are tasted, and what to do with the place of the one chosen, or NONE
 */
function setQuestion(attribute, taken) {
  const give = (chosen) => (taken.byKey() ? taken.draft(chosen) : taken.score(chosen));
  const options = taken.cups.map(({ code, isReference }, i) => ({
    value: i,
    text: code,
    word: isReference ? _("reference") : "",
    key: isReference ? "" : String(i + 1),
    off: isReference,
  }));
  const none = { value: NONE, text: "", word: _("no preference"), key: "0" };
  const row = radios(attribute.scale.set.may_be_none ? [...options, none] : options, {
    columns: options.length,
    pick: give,
  });
  const clear = make(
    "button",
    { type: "button", class: "lk-clear", onclick: () => taken.score(null) },
    _("Take back"),
  );
  const field = make(
    "fieldset",
    { class: "lk-field lk-broad lk-set-question" },
    make("legend", { class: "lk-legend" }, attribute.title),
    row.node,
    make("div", { class: "lk-said" }, clear),
  );
  const choices = [...options, ...(attribute.scale.set.may_be_none ? [none] : [])];
  return {
    node: field,
    focus: row.focus,
    takeBack() {
      if (!clear.hidden) taken.score(null);
    },
    type(sign) {
      const chosen = choices.find(({ key, off }) => key === sign && !off);
      if (field.disabled || !chosen) return false;
      taken.score(chosen.value);
      return true;
    },
    show(value, isLocked) {
      row.show(value);
      field.classList.toggle("lk-given", value !== null);
      field.disabled = isLocked;
      clear.hidden = value === null || isLocked;
    },
  };
}
