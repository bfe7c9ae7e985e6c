// The map of waters: draws what Python sent once, and says what is under finger, mouse or keys.

const SVG = "http://www.w3.org/2000/svg";
const SHADES = ["#ffffff", "#eaf0f2", "#d3dee3", "#b8c8d0", "#9cb1bc", "#7e98a5", "#5f7b89"];
const INK = "#1a1a1a";
const LEFT = 52;
const RIGHT = 14;
const ASK_AFTER = 250; // ms of rest before Python is asked what to pour

function drawn(name, attributes = {}, text = "") {
  const one = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  if (text !== "") one.textContent = text;
  return one;
}

function made(name, attributes = {}, ...inside) {
  const one = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) one.setAttribute(key, value);
  one.append(...inside);
  return one;
}

const fill = (template, values) =>
  template.replace(/\{(\w+)\}/g, (_whole, name) => values[name] ?? "").replace(/ %/g, "\u00a0%");

const capital = (text) => text[0].toUpperCase() + text.slice(1);

/** Edges of the cells around levels: half way between neighbours. */
function edgesOf(levels) {
  if (levels.length === 1) return [levels[0] - 1, levels[0] + 1];
  const middles = levels.slice(1).map((level, i) => (level + levels[i]) / 2);
  return [levels[0], ...middles, levels[levels.length - 1]];
}

function nearest(levels, level) {
  let best = 0;
  levels.forEach((one, i) => {
    if (Math.abs(one - level) < Math.abs(levels[best] - level)) best = i;
  });
  return best;
}

/** Marks that differ by shape, so that they are told apart without colour. */
const MARKS = {
  tasted: (x, y) => drawn("circle", { cx: x, cy: y, r: 5, fill: "#fff", stroke: INK, "stroke-width": 1.8 }),
  tasted_elsewhere: (x, y) =>
    drawn("circle", { cx: x, cy: y, r: 4, fill: "none", stroke: INK, "stroke-width": 1.2, "stroke-dasharray": "2 2" }),
  control: (x, y) =>
    drawn("rect", { x: x - 5, y: y - 5, width: 10, height: 10, fill: "#fff", stroke: INK, "stroke-width": 1.8 }),
  best: (x, y) => {
    const points = [...Array(10).keys()].map((i) => {
      const far = i % 2 ? 4 : 10;
      const turn = (Math.PI * i) / 5 - Math.PI / 2;
      return `${x + far * Math.cos(turn)},${y + far * Math.sin(turn)}`;
    });
    return drawn("polygon", { points: points.join(" "), fill: INK, stroke: "#fff", "stroke-width": 1.5 });
  },
  next: (x, y, number = "1") => {
    const group = drawn("g");
    group.append(
      drawn("circle", { cx: x, cy: y, r: 9, fill: INK, stroke: "#fff", "stroke-width": 1.5 }),
      drawn("text", { x, y: y + 4, "text-anchor": "middle", style: "fill:#fff;font-weight:700" }, number),
    );
    return group;
  },
};

function render({ model, el }) {
  const root = made("section", { class: "lk-map", "data-lm-suppress-shortcuts": "true" });
  el.append(root);
  // In JupyterLab keys would else move the notebook's own selection.
  root.addEventListener("keydown", (event) => event.stopPropagation());
  let data = null;
  let at = [0, 0, 0];
  let over = null; // what the mouse is over, until it leaves
  let asking = 0;
  let parts = {};
  let scale = null;
  const poured = new Map();

  const size = (axis) => data.axes[axis].levels.length;
  const index = (place) => (place[0] * size(1) + place[1]) * size(2) + place[2];
  const isAt = (place, other) => other !== null && place.every((one, i) => one === other[i]);

  function build() {
    data = model.get("data");
    poured.clear();
    root.replaceChildren();
    root.hidden = !data.axes;
    if (!data.axes) return;
    const { words } = data;
    over = null;
    at = [...data.best];
    const unique = `lk-map-${Math.random().toString(36).slice(2, 9)}`;
    const name = data.coffee ? `${data.coffee}: ${words.label}` : capital(words.label);
    root.setAttribute("aria-label", name);
    const title = made("p", { class: "lk-map-title" }, name);
    const help = made("p", { class: "lk-map-soft", id: `${unique}-help` },
      size(2) > 1 ? `${words.help} ${words.help_dial}` : words.help);
    const area = drawn("svg", {
      class: "lk-map-area",
      tabindex: "0",
      role: "application",
      "aria-label": name,
      "aria-describedby": `${unique}-help ${unique}-said`,
    });
    const range = made("input", {
      type: "range", min: 0, max: size(2) - 1, step: 1, id: `${unique}-dial`,
    });
    const level = made("output", { for: `${unique}-dial` });
    const dial = made("div", { class: "lk-map-dial" },
      made("label", { for: `${unique}-dial` }, capital(data.axes[2].words)),
      range, level);
    dial.hidden = size(2) < 2;
    dial.style.display = size(2) < 2 ? "none" : "";
    const held = made("p", { class: "lk-map-soft" }, words.held);
    held.hidden = !words.held;
    const said = made("div", { class: "lk-map-said", id: `${unique}-said` });
    const live = made("div", { class: "lk-map-unseen", role: "status", "aria-live": "polite" });
    const outcome = made("p", { role: "status", "aria-live": "polite" });
    const buttons = made("div", { class: "lk-map-buttons" });
    const shades = made("p", { class: "lk-map-soft" }, words.shades);
    const table = made("div", { class: "lk-map-scroll", tabindex: "0", role: "region", "aria-label": words.table });
    const fold = made("details", {}, made("summary", {}, words.table), table);
    parts = { area, range, level, said, live, outcome, buttons, table, fold };
    root.append(title, help, area, dial, held, said, buttons, outcome, live, shades, keyOf(), fold);

    area.addEventListener("keydown", byKey);
    area.addEventListener("pointermove", (event) => {
      if (event.pointerType === "mouse") preview(placeOf(event));
    });
    area.addEventListener("pointerleave", () => preview(null));
    area.addEventListener("click", (event) => choose(placeOf(event)));
    range.addEventListener("input", () => choose([at[0], at[1], Number(range.value)]));
    fold.addEventListener("toggle", fillTable);
    buildButtons();
    draw();
    tell();
  }

  function keyOf() {
    const { words } = data;
    const key = made("ul", { class: "lk-map-key" });
    const item = (mark, text) => {
      const box = drawn("svg", { width: 22, height: 22, "aria-hidden": "true" });
      box.append(mark);
      key.append(made("li", {}, box, text));
    };
    SHADES.forEach((shade, i) => {
      const square = drawn("rect", { x: 2, y: 2, width: 18, height: 18, fill: shade, stroke: "#6b6b6b" });
      const text = i ? fill(words.from, { chance: data.shades[i - 1] }) : fill(words.below, { chance: data.shades[0] });
      item(square, text);
    });
    item(MARKS.best(11, 11), words.best);
    if (data.control) item(MARKS.control(11, 11), words.control);
    item(MARKS.tasted(11, 11), words.tasted);
    if (size(2) > 1) item(MARKS.tasted_elsewhere(11, 11), words.tasted_elsewhere);
    if (model.get("following").length) item(MARKS.next(11, 11), words.next);
    return key;
  }

  function buildButtons() {
    const { words } = data;
    const home = made("button", { type: "button" }, words.to_best);
    home.addEventListener("click", () => choose([...data.best]));
    parts.buttons.replaceChildren(home);
    for (const kind of model.get("offers")) {
      const button = made("button", { type: "button" }, words[kind]);
      button.addEventListener("click", () => hand(kind));
      parts.buttons.append(button);
    }
  }

  /** Lengths of the drawing for the width there is now. */
  function measure() {
    const width = Math.max(260, parts.area.getBoundingClientRect().width || 340);
    const top = data.axes.slice(0, 2).some((axis, i) => axis.name === "mg_share" && i === 0) ? 34 : 12;
    const inner = size(1) > 1 ? Math.min(340, Math.max(190, 0.62 * (width - LEFT - RIGHT))) : 44;
    const edges = [edgesOf(data.axes[0].levels), edgesOf(data.axes[1].levels)];
    const span = edges.map((one) => one[one.length - 1] - one[0]);
    const along = width - LEFT - RIGHT;
    scale = {
      width, top, inner, edges,
      height: top + inner + 46,
      x: (level) => LEFT + ((level - edges[0][0]) / span[0]) * along,
      y: (level) => top + inner - ((level - edges[1][0]) / span[1]) * inner,
    };
  }

  function shadeOf(chance) {
    return SHADES[data.shades.filter((limit) => chance >= limit).length];
  }

  function draw() {
    measure();
    const { area } = parts;
    const { width, height, top, inner, edges, x, y } = scale;
    area.setAttribute("viewBox", `0 0 ${width} ${height}`);
    area.setAttribute("height", height);
    area.replaceChildren();
    const third = (over ?? at)[2];
    for (let i = 0; i < size(0); i++) {
      for (let j = 0; j < size(1); j++) {
        area.append(drawn("rect", {
          x: x(edges[0][i]), y: y(edges[1][j + 1]),
          width: x(edges[0][i + 1]) - x(edges[0][i]) + 0.5,
          height: y(edges[1][j]) - y(edges[1][j + 1]) + 0.5,
          fill: shadeOf(data.near[index([i, j, third])]),
        }));
      }
    }
    area.append(drawn("rect", {
      x: LEFT, y: top, width: width - LEFT - RIGHT, height: inner, fill: "none", stroke: "#6b6b6b",
    }));
    drawAxes();
    drawMarks(third);
    drawCursor();
  }

  /** Levels to write at an axis, as many as there is room for. */
  function ticksOf(axis, room) {
    const levels = data.axes[axis].levels;
    const least = Math.ceil(levels.length / room);
    return levels.map((_level, i) => i).filter((i) => i % least === 0);
  }

  function drawAxes() {
    const { area } = parts;
    const { width, top, inner, x, y } = scale;
    const [across, up] = data.axes;
    const below = top + inner;
    for (const i of ticksOf(0, Math.floor((width - LEFT) / 46))) {
      const at = x(across.levels[i]);
      area.append(drawn("line", { x1: at, x2: at, y1: below, y2: below + 4, stroke: INK }));
      area.append(drawn("text", { x: at, y: below + 17, "text-anchor": "middle" }, across.ticks[i]));
    }
    const middle = LEFT + (width - LEFT - RIGHT) / 2;
    area.append(drawn("text", { x: middle, y: below + 37, "text-anchor": "middle" }, across.title));
    if (across.name === "mg_share") {
      for (const i of ticksOf(0, Math.floor((width - LEFT) / 62))) {
        const anchor = i === 0 ? "start" : i === size(0) - 1 ? "end" : "middle";
        area.append(drawn("text", {
          x: x(across.levels[i]), y: top - 6, "text-anchor": anchor, class: "lk-map-ratio",
        }, data.ratios[i]));
      }
      area.append(drawn("text", { x: 4, y: top - 6, class: "lk-map-ratio" }, "Ca:Mg"));
    }
    if (size(1) < 2) return;
    for (const j of ticksOf(1, Math.floor(inner / 24))) {
      const at = y(up.levels[j]);
      area.append(drawn("line", { x1: LEFT - 4, x2: LEFT, y1: at, y2: at, stroke: INK }));
      area.append(drawn("text", { x: LEFT - 7, y: at + 4, "text-anchor": "end" }, up.ticks[j]));
    }
    area.append(drawn("text", {
      x: 13, y: top + inner / 2, "text-anchor": "middle", transform: `rotate(-90 13 ${top + inner / 2})`,
    }, up.title));
  }

  function drawMarks(third) {
    const { area } = parts;
    const [across, up, dial] = data.axes;
    const spot = (place) => [
      scale.x(across.levels[place[0]]),
      scale.y(up.levels[place[1]]),
    ];
    const isHere = (level) => nearest(dial.levels, level) === third;
    const where = (levels) => [scale.x(levels[0]), size(1) > 1 ? scale.y(levels[1]) : scale.y(up.levels[0])];
    for (const levels of data.tasted) {
      const mark = isHere(levels[2]) ? MARKS.tasted : MARKS.tasted_elsewhere;
      area.append(mark(...where(levels)));
    }
    if (data.control) area.append(MARKS.control(...spot(data.control)));
    area.append(MARKS.best(...spot(data.best)));
    model.get("following").forEach((levels, i) => area.append(MARKS.next(...where(levels), String(i + 1))));
  }

  function drawCursor() {
    const { area } = parts;
    area.querySelectorAll("[data-cursor]").forEach((one) => one.remove());
    const place = over ?? at;
    const { edges, x, y } = scale;
    const box = {
      x: x(edges[0][place[0]]), y: y(edges[1][place[1] + 1]),
      width: x(edges[0][place[0] + 1]) - x(edges[0][place[0]]),
      height: y(edges[1][place[1]]) - y(edges[1][place[1] + 1]),
      fill: "none", "data-cursor": "", "pointer-events": "none",
    };
    area.append(drawn("rect", { ...box, stroke: "#fff", "stroke-width": 5 }));
    area.append(drawn("rect", { ...box, stroke: INK, "stroke-width": 2.5 }));
  }

  function placeOf(event) {
    const box = parts.area.getBoundingClientRect();
    const px = ((event.clientX - box.left) / box.width) * scale.width;
    const py = ((event.clientY - box.top) / box.height) * scale.height;
    const within = (edges, reach) => {
      const cell = edges.slice(1).findIndex((edge) => reach(edge));
      return cell < 0 ? edges.length - 2 : cell;
    };
    return [
      within(scale.edges[0], (edge) => px <= scale.x(edge)),
      within(scale.edges[1], (edge) => py >= scale.y(edge)),
      at[2],
    ];
  }

  function byKey(event) {
    const step = {
      ArrowLeft: [0, -1], ArrowRight: [0, 1], ArrowDown: [1, -1], ArrowUp: [1, 1],
      PageDown: [2, -1], PageUp: [2, 1],
    }[event.key];
    if (!step || event.ctrlKey || event.metaKey || event.altKey) return;
    event.preventDefault();
    const place = [...at];
    place[step[0]] = Math.min(size(step[0]) - 1, Math.max(0, place[step[0]] + step[1]));
    choose(place);
  }

  function preview(place) {
    if (place === null ? over === null : isAt(place, over)) return;
    over = place === null || isAt(place, at) ? null : place;
    drawCursor();
    tell();
  }

  function choose(place) {
    over = null;
    at = place;
    parts.outcome.textContent = "";
    draw();
    tell();
    parts.live.textContent = sentences(at).join(". ");
    if (parts.fold.open) fillTable();
    clearTimeout(asking);
    asking = setTimeout(ask, ASK_AFTER);
  }

  function ask() {
    if (!poured.has(index(at))) hand("pour");
  }

  /** Tell Python; sending throws once its process has ended. */
  function hand(kind) {
    try {
      model.send({ kind, at });
    } catch {
      if (kind !== "pour") hear({ kind, at, text: data.words.away, wrong: true });
    }
  }

  /** What is said of a water, the water itself first. */
  function sentences(place) {
    const { words } = data;
    const i = index(place);
    const levels = {};
    const stated = {};
    data.axes.forEach((axis, k) => {
      levels[axis.name] = axis.levels[place[k]];
      stated[axis.words] = axis.stated[place[k]];
    });
    const share = data.axes.findIndex((axis) => axis.name === "mg_share");
    const { mg_share: magnesium, hardness_mg_l_caco3: hardness } = levels;
    const said = [
      fill(words.water, { ...stated, ratio: data.ratios[place[share]] }),
      fill(words.metals, {
        calcium: (hardness * (1 - magnesium)).toFixed(0), magnesium: (hardness * magnesium).toFixed(0),
      }),
      fill(words.expected, {
        expected: data.expected[i], low: data.low[i], high: data.high[i],
      }),
      isAt(place, data.best) ? words.is_best : fill(words.above_best, { chance: data.above_best[i] }),
    ];
    if (isAt(place, data.control)) said.push(words.is_control);
    else if (data.above_control) said.push(fill(words.above_control, { chance: data.above_control[i] }));
    said.push(fill(words.near, { chance: data.near[i] }));
    return said;
  }

  function tell() {
    const place = over ?? at;
    const [water, ...more] = sentences(place);
    const pour = poured.get(index(place));
    if (pour) more.push(pour);
    const list = made("ul");
    for (const one of more) list.append(made("li", {}, one));
    parts.said.replaceChildren(made("strong", {}, water), list);
    if (!over) {
      parts.range.value = at[2];
      parts.level.textContent = data.axes[2].stated[at[2]];
      parts.range.setAttribute("aria-valuetext", data.axes[2].stated[at[2]]);
    }
  }

  function fillTable() {
    if (!parts.fold.open) return;
    const [across, up, dial] = data.axes;
    const head = made("tr", {}, made("th", { scope: "col" }, `${up.words} \\ ${across.words}`));
    for (const tick of across.ticks) head.append(made("th", { scope: "col" }, tick));
    const body = made("tbody");
    for (let j = size(1) - 1; j >= 0; j--) {
      const row = made("tr", {}, made("th", { scope: "row" }, up.ticks[j]));
      for (let i = 0; i < size(0); i++) {
        const k = index([i, j, at[2]]);
        row.append(made("td", {}, `${data.expected[k]} (${data.near[k]} %)`));
      }
      body.append(row);
    }
    const held = `${dial.words} ${dial.stated[at[2]]}`;
    const caption = made("caption", {}, fill(data.words.caption, { held }));
    parts.table.replaceChildren(made("table", {}, caption, made("thead", {}, head), body));
  }

  function hear(message) {
    if (!data?.axes || !message?.at) return;
    if (message.kind === "pour") {
      poured.set(index(message.at), message.text);
      if (isAt(message.at, at)) {
        tell();
        parts.live.textContent = message.text;
      }
      return;
    }
    parts.outcome.textContent = message.text;
    parts.outcome.className = message.wrong ? "lk-map-wrong" : "";
  }

  const again = () => {
    build();
    if (data.axes) asking = setTimeout(ask, ASK_AFTER);
  };
  const following = () => {
    if (!data?.axes) return;
    root.querySelector(".lk-map-key").replaceWith(keyOf());
    draw();
  };
  const offered = () => data?.axes && buildButtons();
  model.on("change:data", again);
  model.on("change:following", following);
  model.on("change:offers", offered);
  model.on("msg:custom", hear);
  const watch = new ResizeObserver(() => {
    if (data?.axes && Math.abs(parts.area.getBoundingClientRect().width - scale.width) > 1) draw();
  });
  again();
  watch.observe(root);
  return () => {
    clearTimeout(asking);
    watch.disconnect();
    model.off("change:data", again);
    model.off("change:following", following);
    model.off("change:offers", offered);
    model.off("msg:custom", hear);
  };
}

export default { render };
