// The taster's sheet: one cup at a time in the taster's own order, or one set of a test of two
// waters, with an overview.

const stageName = (stage) => ({ hot: _("Hot"), warm: _("Warm"), cool: _("Cool") })[stage] ?? stage;

function render({ model, el }) {
  const plan = model.get("plan");
  const language = readerOf(plan.words);
  reader = language;
  const send = (message) => model.send({ ...message, language: language.code });
  const outbox = new Outbox(plan.owner, send, () => refresh());
  let { cups, flights } = plan.look;
  outbox.learn(plan.look);
  let view = outbox.recall("view") ?? {};
  let pressed = "pointer";
  let fields = [];
  let fieldsOf = "";
  let isOpened = false;
  const attributes = plan.attributes.map(({ scale, ...attribute }) => ({
    ...attribute,
    title: language.titles[attribute.name] ?? attribute.name,
    scale: scale && { ...scale, words: language.words[attribute.name] ?? scale.words },
  }));

  const root = make("section", {
    class: `lk-sheet ${plan.is_page ? "lk-page" : "lk-lab"}`,
    "aria-label": _("Score sheet of {taster}", { taster: plan.taster }),
    lang: language.code,
    "data-lm-suppress-shortcuts": "true",
  });
  const state = make("p", { class: "lk-state", role: "status" });
  const alerts = make("div", { class: "lk-alerts", role: "alert" });
  const body = make("div", { class: "lk-body" });
  const hint = make("p", { class: "lk-hint", role: "status" });
  const bar = make("nav", { class: "lk-bar", "aria-label": _("Cups") });
  root.append(
    make(
      "header",
      { class: "lk-head" },
      make("p", { class: "lk-who" }, make("strong", {}, plan.taster), ` ${plan.session}`),
      state,
    ),
    alerts,
    body,
    hint,
    bar,
  );
  el.append(root);

  // Keys typed here must not reach the notebook, whose shortcuts would cut cells.
  root.addEventListener("keydown", (event) => {
    pressed = "key";
    event.stopPropagation();
    takeKey(event);
  });
  root.addEventListener("pointerdown", () => (pressed = "pointer"));
  root.addEventListener("focusin", () => markHere());
  // On a page of its own keys work before anything has the focus.
  const onPageKey = (event) => {
    if (event.target === document.body) takeKey(event);
  };
  if (plan.is_page) {
    document.documentElement.lang = language.code;
    document.addEventListener("keydown", onPageKey);
  }

  // On a page of its own the cup is the page's heading; in a notebook it stands below others.
  const [title, subtitle] = plan.is_page ? ["h1", "h2"] : ["h2", "h3"];
  const keyOf = (cup) => `${cup.flight}/${cup.position}`;
  const called = (cup) => cup.code ?? _("No. {number}", { number: cup.position });
  const inFlight = (number) => cups.filter((cup) => cup.flight === number);
  const isLocked = (number) => ["locked", "opened"].includes(flights[number]);
  const numbers = attributes.filter(({ kind }) => kind === "number");
  const stageNow = () => (plan.stages.length ? (view.stage ?? plan.stages[0]) : "");
  const marksOne = numbers.some(({ scale }) => scale.marks_one_of_set);
  // Where nothing but the mark is asked, all cups of a set stand on one screen under one question.
  const isSets = marksOne && attributes.length === 1;
  /** What is shown one after the other, each by its first cup: cups, or sets of cups. */
  const screens = () => (isSets ? cups.filter((cup) => cup === inFlight(cup.flight)[0]) : cups);
  const place = (cup, attribute) => ({
    flight: cup.flight,
    position: cup.position,
    code: cup.code,
    stage: stageNow(),
    attribute: attribute.name,
  });
  const count = (cup, values) =>
    numbers.filter((attribute) => values[placeName(place(cup, attribute))] !== undefined &&
      values[placeName(place(cup, attribute))] !== null).length;

  /** The cup to open on: where this browser was, else the first one with something missing. */
  function firstCup(values) {
    const here = cups.find((cup) => keyOf(cup) === view.cup);
    const open = cups.filter((cup) => !isLocked(cup.flight));
    if (here && (!isLocked(here.flight) || !open.length)) return here;
    return open.find((cup) => count(cup, values) < numbers.length) ?? open[0] ?? cups[0];
  }

  /** The cup on the screen; it stays when its flight is locked meanwhile. */
  function cupNow(values) {
    const here = isOpened ? cups.find((cup) => keyOf(cup) === view.cup) : undefined;
    const found = here ?? firstCup(values);
    const cup = isSets ? inFlight(found.flight)[0] : found;
    isOpened = true;
    if (view.cup !== keyOf(cup)) {
      // Kept before anything is scored: a reload must not lead on from a cup that is full by then.
      view.cup = keyOf(cup);
      outbox.remember("view", view);
    }
    return cup;
  }

  /** Keep a score; in a set of which one cup is marked, marking it says no to the others. */
  function score(cup, attribute, value) {
    outbox.score(place(cup, attribute), value);
    if (!marksOne || value !== attribute.scale?.highest) return;
    for (const other of inFlight(cup.flight))
      if (other !== cup) outbox.score(place(other, attribute), attribute.scale.lowest);
  }

  function go(change) {
    outbox.settleAll();
    view = { ...view, ...change };
    outbox.remember("view", view);
    refresh();
    const heading = body.querySelector("[data-heading]");
    heading?.focus({ preventScroll: true });
    if (root.getBoundingClientRect().top < 0) root.scrollIntoView({ block: "start" });
  }

  function refresh() {
    reader = language; // another sheet on this page may have another language
    if (!cups.length) {
      body.replaceChildren(
        make("p", { class: "lk-notice" }, _("No cups are planned for you yet.")));
      return;
    }
    const values = outbox.values();
    showState();
    showAlerts();
    if (view.screen === "overview") showOverview(values);
    else showCup(cupNow(values), values);
  }

  function showState() {
    const waiting = outbox.pending().length;
    const kept = outbox.lasts
      ? _("Not connected. Kept on this device until it is back: {number} not saved yet.",
        { number: waiting })
      : _("Not connected. Keep this page open until it is back: {number} not saved yet.",
        { number: waiting });
    const time = outbox.savedAt?.toLocaleTimeString(language.tag, { hour12: false });
    const away = waiting ? kept : _("Not connected. You can go on scoring.");
    const says = {
      saved: time ? _("Saved at {time}", { time }) : _("Connected. Every score is saved."),
      saving: outbox.heardAt ? _("Saving…") : _("Connecting…"),
      waiting: _("Not saved yet: {reason}", { reason: outbox.trouble }),
      away: plan.is_page
        ? away
        : [away, _("If the notebook was restarted, run this cell again.")].join(" "),
    };
    const name = outbox.state();
    state.dataset.state = name;
    if (state.textContent !== says[name]) state.textContent = says[name];
  }

  const inPlainWords = (value) => {
    if (value === null) return _("taken back");
    return typeof value === "number" ? shown(value) : [value].flat().join(", ");
  };
  const titleOf = (name) => attributes.find((one) => one.name === name)?.title ?? name;

  function showAlerts() {
    const refused = outbox.refusals();
    const changed = outbox.changes();
    const wanted = JSON.stringify([refused, changed]);
    if (alerts.dataset.showing === wanted) return;
    alerts.dataset.showing = wanted;
    alerts.replaceChildren();
    if (!refused.length && !changed.length) return;
    const list = (heading, lines) =>
      lines.length ? [make("strong", {}, heading), make("ul", {}, ...lines)] : [];
    const notTaken = refused.map((score) => make("li", {},
      _("Cup {cup}, {question} {value}: {reason}", {
        cup: called(score),
        question: titleOf(score.attribute),
        value: inPlainWords(score.value),
        reason: score.sentence,
      })));
    const elsewhere = changed.map((change) => make("li", {},
      _("Cup {cup}, {question}: {was} here, now {value}. Give it again if that is wrong.", {
        cup: called(change),
        question: titleOf(change.attribute),
        was: inPlainWords(change.was),
        value: inPlainWords(change.value),
      })));
    alerts.append(
      make(
        "div",
        { class: "lk-notice" },
        ...list(_("Scores not taken: {number}", { number: refused.length }), notTaken),
        ...list(_("Changed on another device or by the lead"), elsewhere),
        make("button", { type: "button", class: "lk-button", onclick: () => outbox.dismiss() },
          _("OK")),
      ),
    );
  }

  function showCup(cup, values) {
    const stage = stageNow();
    const own = inFlight(cup.flight);
    const locked = isLocked(cup.flight);
    const given = count(cup, values);
    const wanted = `${keyOf(cup)}/${cup.code}/${stage}/${own.length}`;
    if (fieldsOf !== wanted) {
      fieldsOf = wanted;
      hint.textContent = "";
      fields = isSets ? [setField(own)] : attributes.map((one) => cupField(cup, one));
      body.replaceChildren(
        isSets ? setHead(cup, own) : cupHead(cup, own),
        stagePicker(stage),
        make("div", { class: "lk-lock" }),
        make("div", { class: "lk-fields" }, ...fields.map(({ field }) => field.node)),
        keysFold(isSets, !isSets && numbers.length > 0),
      );
    }
    const head = body.querySelector(".lk-given-count");
    if (head)
      head.textContent = _("{given} of {all} given", { given, all: numbers.length });
    const lock = body.querySelector(".lk-lock");
    if (locked !== Boolean(lock.childElementCount))
      lock.replaceChildren(...(locked ? [make("p", { class: "lk-notice" },
        _("Flight {flight} is locked: nothing in it can change any more. If something is wrong, tell the lead.",
          { flight: cup.flight }))] : []));
    for (const { now, field } of fields) field.show(now(values), locked);
    showBar(cup, given);
    markHere();
  }

  const valueAt = (values, cup, attribute) => values[placeName(place(cup, attribute))] ?? null;

  function cupField(cup, attribute) {
    const field = attributeField(attribute, {
      score: (value) => score(cup, attribute, value),
      draft: (value, restMs) => outbox.draft(place(cup, attribute), value, restMs),
      byKey: () => pressed === "key" && !marksOne,
    });
    return { attribute, field, now: (values) => valueAt(values, cup, attribute) };
  }

  /** One question on all cups of a set: marking one says no to the others. */
  function setField(own) {
    const [attribute] = attributes;
    const { lowest, highest, set } = attribute.scale;
    const give = (chosen, keep) => {
      for (const [i, cup] of own.entries())
        keep(place(cup, attribute), chosen === null ? null : i === chosen ? highest : lowest);
    };
    const field = setQuestion(attribute, {
      cups: own.map((cup, i) => ({ code: called(cup), isReference: set.has_reference && i === 0 })),
      score: (chosen) => give(chosen, (at, value) => outbox.score(at, value)),
      draft: (chosen) => give(chosen, (at, value) => outbox.draft(at, value, KEY_REST_MS)),
      byKey: () => pressed === "key",
    });
    const now = (values) => {
      const marks = own.map((cup) => valueAt(values, cup, attribute));
      if (marks.includes(highest)) return marks.indexOf(highest);
      return set.may_be_none && marks.every((mark) => mark === lowest) ? NONE : null;
    };
    return { attribute, field, now };
  }

  const scalds = (isShown) =>
    make("p", { hidden: !isShown }, _("Hot coffee scalds: let it cool before you sip."));

  function cupHead(cup, own) {
    const at = { flight: cup.flight, position: cup.position, cups: own.length };
    return make(
      "div",
      { class: "lk-cup" },
      make("p", { class: "lk-where" }, cups.some((other) => other.flight !== cup.flight)
        ? _("Flight {flight}, cup {position} of {cups}", at)
        : _("cup {position} of {cups}", at)),
      make(title, { class: "lk-code", tabindex: "-1", "data-heading": true },
        make("span", { class: "lk-hidden" }, _("Cup"), " "), called(cup)),
      make("p", { class: "lk-given-count" }),
      scalds(cup.position === 1),
      make("p", { hidden: !marksOne },
        _("Taste all cups of the set ({cups}), then mark one.", { cups: own.length })),
    );
  }

  function setHead(cup, own) {
    const all = screens();
    const at = all.indexOf(cup);
    const heading = _("Set {number} of {sets}", { number: at + 1, sets: all.length });
    return make(
      "div",
      { class: "lk-cup lk-set" },
      make(title, { class: "lk-title", tabindex: "-1", "data-heading": true }, heading),
      scalds(at === 0),
      make("p", {}, own.length === 2
        ? _("Taste both cups from left to right, then mark one.")
        : _("Taste all {cups} cups from left to right, then mark one.", { cups: own.length })),
    );
  }

  function stagePicker(stage) {
    if (!plan.stages.length) return make("div", { hidden: true });
    const options = plan.stages.map((name, i) => ({ value: i, text: stageName(name) }));
    const row = radios(options, {
      columns: options.length,
      pick: (i) => {
        const chosen = plan.stages[i];
        // Rebuilding at once would take the focus away from the arrow keys.
        go({ stage: chosen });
        body.querySelector(".lk-stage input:checked")?.focus();
      },
    });
    row.show(plan.stages.indexOf(stage));
    return make("fieldset", { class: "lk-field lk-stage" },
      make("legend", { class: "lk-legend" }, _("How warm is the cup?")), row.node);
  }

  function showBar(cup, given) {
    const all = screens();
    const at = all.indexOf(cup);
    const next = all[at + 1];
    const isEnd = !next || (!isSets && next.flight !== cup.flight);
    const overview = isSets ? _("All sets ›") : _("All cups ›");
    const isFull = given === numbers.length;
    const text = isEnd ? overview : isFull ? _("Next ›") : _("Skip to next ›");
    const wanted = `${keyOf(cup)} ${text} ${given} ${cups.length}`;
    if (bar.dataset.showing === wanted) return;
    bar.dataset.showing = wanted;
    const focused = bar.contains(document.activeElement) ? document.activeElement.dataset.does : "";
    const toOverview = () => go({ screen: "overview", cup: keyOf(cup) });
    bar.replaceChildren(
      barButton("back", _("‹ Previous"), at === 0, () => go({ cup: keyOf(all[at - 1]) })),
      barButton("all", isSets ? _("Sets") : _("Cups"), false, toOverview),
      barButton("on", text, false, isEnd ? toOverview : () => go({ cup: keyOf(next) })),
    );
    bar.lastChild.classList.toggle("lk-ready", isFull);
    if (focused) bar.querySelector(`[data-does="${focused}"]`)?.focus();
  }

  const barButton = (does, text, disabled, onclick) =>
    make("button", { type: "button", class: "lk-button", "data-does": does, disabled, onclick }, text);

  function showOverview(values) {
    const wanted = `overview ${stageNow()} ${JSON.stringify(flights)} ` +
      cups.map((cup) => `${cup.code} ${count(cup, values)}`).join();
    if (bar.dataset.showing === wanted) return;
    bar.dataset.showing = wanted;
    fieldsOf = "";
    hint.textContent = "";
    const stage = stageNow();
    const isAll = cups.every((cup) => count(cup, values) === numbers.length);
    const focused = body.contains(document.activeElement) ? document.activeElement.dataset.cup : "";
    const says = [
      isAll
        ? _("Everything is given. You can still correct until the lead locks the flight.")
        : _("Between flights: rest, and rinse with water. The lead says when the next is served."),
      isAll && !plan.is_page ? _("The next taster picks their name above.") : "",
    ];
    const heading = isSets ? _("Your sets") : _("Your cups");
    body.replaceChildren(
      make(title, { class: "lk-title", tabindex: "-1", "data-heading": true },
        stage ? `${heading}: ${stageName(stage)}` : heading),
      make("p", { class: "lk-where" }, says.filter(Boolean).join(" ")),
      ...(isSets ? [setList(values)] : flightLists(values)),
    );
    if (focused) body.querySelector(`[data-cup="${focused}"]`)?.focus();
    const back = isSets ? _("Back to the set") : _("Back to the cup");
    bar.replaceChildren(barButton("on", back, false, () => go({ screen: "cup" })));
  }

  const flightLists = (values) =>
    [...new Set(cups.map(({ flight }) => flight))].map((number) => {
      const own = inFlight(number);
      const done = own.filter((cup) => count(cup, values) === numbers.length).length;
      const at = { flight: number, done, cups: own.length };
      return make(
        "section",
        { class: "lk-flight" },
        make(subtitle, {}, isLocked(number)
          ? _("Flight {flight}: {done} of {cups} cups done, locked", at)
          : _("Flight {flight}: {done} of {cups} cups done", at)),
        make("ol", { class: "lk-list" }, ...own.map((cup) => {
          const given = count(cup, values);
          const some = given ? _("{given} of {all}", { given, all: numbers.length }) : _("not yet");
          const isDone = given === numbers.length;
          return overviewButton(cup, called(cup), isDone ? _("done") : some, isDone);
        })),
      );
    });

  const setList = (values) =>
    make("ol", { class: "lk-list" }, ...screens().map((cup, i) => {
      const own = inFlight(cup.flight);
      const isDone = own.every((one) => count(one, values) === numbers.length);
      const word = isDone ? _("done") : _("not yet");
      return overviewButton(cup, _("Set {number}", { number: i + 1 }),
        isLocked(cup.flight) ? _("{done}, locked", { done: word }) : word, isDone);
    }));

  const overviewButton = (cup, name, word, isDone) =>
    make("li", {}, make(
      "button",
      {
        type: "button",
        class: `lk-cup-button ${isDone ? "lk-done" : ""}`,
        "data-cup": keyOf(cup),
        "aria-current": view.cup === keyOf(cup) ? "true" : null,
        onclick: () => go({ cup: keyOf(cup), screen: "cup" }),
      },
      make("span", { class: "lk-number" }, name),
      make("span", { class: "lk-word" }, ` ${word}`),
    ));

  // ------------------------------------------------------------------------------ keys

  /** The question that has the focus; else the first one that a key would score. */
  function here(values = outbox.values()) {
    const focused = fields.find(({ field }) => field.node.contains(document.activeElement));
    if (isSets) return fields[0]; // another number corrects it
    const open = fields.filter(({ attribute }) => attribute.kind === "number");
    return focused ?? open.find(({ now }) => now(values) === null);
  }

  function markHere() {
    const one = view.screen === "overview" ? undefined : here();
    for (const { field } of fields)
      field.node.classList.toggle("lk-here", field === one?.field);
  }

  /** The question after this one, past notes; after the last one the way on. */
  function goOn(from) {
    const rest = fields.slice(fields.indexOf(from) + 1);
    const next = rest.find(({ attribute }) => attribute.kind !== "note");
    if (next) next.field.focus();
    else bar.querySelector("[data-does=on]")?.focus();
  }

  /** The cup or set that many further on, if there is one. */
  function move(by) {
    const all = screens();
    const to = all[all.indexOf(cupNow(outbox.values())) + by];
    if (to) go({ cup: keyOf(to), screen: "cup" });
    return Boolean(to);
  }

  /** In the overview the way on is the first cup with something missing. */
  function goToOpen() {
    const values = outbox.values();
    const open = screens().find((cup) => !isLocked(cup.flight) &&
      (isSets ? inFlight(cup.flight) : [cup]).some((one) => count(one, values) < numbers.length));
    go({ screen: "cup", ...(open ? { cup: keyOf(open) } : {}) });
  }

  /** Move the focus among the cups of the overview. */
  function moveInOverview(by) {
    const all = [...body.querySelectorAll(".lk-cup-button")];
    const at = all.indexOf(document.activeElement);
    const to = at < 0 ? (by > 0 ? 0 : all.length - 1) : at + by;
    all[to]?.focus();
    return to in all;
  }

  function takeKey(event) {
    if (!cups.length || event.ctrlKey || event.altKey || event.metaKey || event.isComposing) return;
    reader = language;
    if (acts(event)) event.preventDefault();
  }

  /** What a key does; whether it did anything. */
  function acts(event) {
    const { key, target } = event;
    const isOverview = view.screen === "overview";
    if (isTyped(target)) {
      const from = here();
      const leaves = key === "Escape" || (key === "Enter" && !(target instanceof HTMLTextAreaElement));
      if (leaves) {
        target.blur(); // what is typed counts from here on
        goOn(from);
      }
      return leaves;
    }
    // A pressed button or an opened fold does what it always does.
    const isPress = target.closest?.("button, summary") && [" ", "Enter"].includes(key);
    if (isPress) return false;
    const by = { ArrowRight: 1, ArrowDown: 1, PageDown: 1, ArrowLeft: -1, ArrowUp: -1, PageUp: -1 }[key];
    if (by) {
      const isArrow = key.startsWith("Arrow");
      if (isArrow && target.type === "radio") return false; // within its scale
      if (isOverview) return isArrow && moveInOverview(by);
      if (key === "ArrowUp" || key === "ArrowDown") return false; // these scroll
      return move(by);
    }
    if (key === "Enter") {
      if (isOverview) goToOpen();
      else {
        outbox.settleAll();
        const from = here();
        if (fields.some(({ field }) => field.node.contains(target))) goOn(from);
        else if (from && from.now(outbox.values()) === null) from.field.focus();
        else bar.querySelector("[data-does=on]")?.click();
      }
      return true;
    }
    if (isOverview) return false;
    const one = here();
    if (key === "Backspace" || key === "Delete") {
      if (!one || !fields.some(({ field }) => field.node.contains(target))) return false;
      one.field.takeBack();
      return true;
    }
    if (!/^[0-9.,-]$/.test(key) || !one) return false;
    if (event.repeat) return true; // a key that is held must not score every question
    if (!one.field.node.contains(target)) one.field.focus();
    if (isTyped(document.activeElement)) return false; // the number goes on there
    const done = one.field.type(key);
    hint.textContent = typeof done === "string" ? done : "";
    if (done === true) goOn(one);
    return true;
  }

  const onMessage = (answer) => {
    if (answer?.kind !== "answer") return;
    if (answer.look) ({ cups, flights } = answer.look);
    outbox.hear(answer);
  };
  model.on("msg:custom", onMessage);
  const onLost = () => outbox.lose();
  if (plan.is_page) {
    model.on("open", outbox.onWake);
    model.on("lost", onLost);
  }
  outbox.exchange();
  refresh();
  return () => {
    model.off("msg:custom", onMessage);
    model.off("open", outbox.onWake);
    model.off("lost", onLost);
    document.removeEventListener("keydown", onPageKey);
    outbox.close();
    root.remove();
  };
}

export default { render };
