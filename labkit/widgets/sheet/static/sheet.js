// The taster's sheet: one cup at a time in the taster's own order, with an overview of the cups.

const STALE_MS = 6000; // the server answers but the sheet's own process does not: reload the page
const GONE_MS = 800; // the server says that this process has ended: time to see why it reloads
const GONE = 410; // the server's status for it
const HEADINGS = { hot: "Hot", warm: "Warm", cool: "Cool" };

const plural = (n, one) => `${n} ${one}${n === 1 ? "" : "s"}`;

function render({ model, el }) {
  const plan = model.get("plan");
  const outbox = new Outbox(plan.owner, (message) => model.send(message), () => refresh());
  let { cups, flights } = plan.look;
  outbox.learn(plan.look);
  let view = outbox.recall("view") ?? {};
  let pressed = "pointer";
  let fields = [];
  let fieldsOf = "";
  let isOpened = false;

  const root = make("section", {
    class: `lk-sheet ${plan.is_page ? "lk-page" : "lk-lab"}`,
    "aria-label": `Score sheet of ${plan.taster}`,
    "data-lm-suppress-shortcuts": "true",
  });
  const state = make("p", { class: "lk-state", role: "status" });
  const alerts = make("div", { class: "lk-alerts", role: "alert" });
  const body = make("div", { class: "lk-body" });
  const bar = make("nav", { class: "lk-bar", "aria-label": "Cups" });
  root.append(
    make(
      "header",
      { class: "lk-head" },
      make("p", { class: "lk-who" }, make("strong", {}, plan.taster), ` ${plan.session}`),
      state,
    ),
    alerts,
    body,
    bar,
  );
  el.append(root);

  // Keys typed here must not reach the notebook, whose shortcuts would cut cells.
  root.addEventListener("keydown", (event) => {
    pressed = "key";
    event.stopPropagation();
  });
  root.addEventListener("pointerdown", () => (pressed = "pointer"));

  // On a page of its own the cup is the page's heading; in a notebook it stands below others.
  const [title, subtitle] = plan.is_page ? ["h1", "h2"] : ["h2", "h3"];
  const keyOf = (cup) => `${cup.flight}/${cup.position}`;
  const called = (cup) => cup.code ?? `No. ${cup.position}`;
  const inFlight = (number) => cups.filter((cup) => cup.flight === number);
  const isLocked = (number) => ["locked", "opened"].includes(flights[number]);
  const numbers = plan.attributes.filter(({ kind }) => kind === "number");
  const stageNow = () => (plan.stages.length ? (view.stage ?? plan.stages[0]) : "");
  const marksOne = numbers.some(({ scale }) => scale.marks_one_of_set);
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
    const cup = here ?? firstCup(values);
    isOpened = true;
    if (view.cup !== keyOf(cup)) {
      // Kept before anything is scored: a reload must not lead on from a cup that is full by then.
      view.cup = keyOf(cup);
      outbox.remember("view", view);
    }
    return cup;
  }

  /** Keep a touch; in a set of which one cup is marked, marking it says no to the others. */
  function touch(cup, attribute, value) {
    outbox.touch(place(cup, attribute), value);
    if (!marksOne || value !== attribute.scale?.highest) return;
    for (const other of inFlight(cup.flight))
      if (other !== cup) outbox.touch(place(other, attribute), attribute.scale.lowest);
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
    if (!cups.length) {
      body.replaceChildren(make("p", { class: "lk-notice" }, "No cups are planned for you yet."));
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
      ? `${plural(waiting, "score")} kept on this device`
      : "keep this page open";
    const says = {
      saved: outbox.savedAt
        ? `Saved at ${outbox.savedAt.toLocaleTimeString([], { hour12: false })}`
        : "Connected. Every score is saved.",
      saving: outbox.heardAt ? "Saving…" : "Connecting…",
      waiting: `Not saved yet: ${outbox.trouble}`,
      away: `Not connected. ${waiting ? `${kept}, saved once it is back` : "You can go on scoring"}.` +
        (plan.is_page ? "" : " If the notebook was restarted, run this cell again."),
    };
    const name = outbox.state();
    state.dataset.state = name;
    if (state.textContent !== says[name]) state.textContent = says[name];
  }

  const inPlainWords = (value) => (value === null ? "taken back" : [value].flat().join(", "));

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
    const notTaken = refused.map((touch) => make("li", {},
      `Cup ${called(touch)}, ${touch.attribute} ${inPlainWords(touch.value)}: ${touch.sentence}`));
    const elsewhere = changed.map((change) => make("li", {},
      `Cup ${called(change)}, ${change.attribute}: ${inPlainWords(change.was)} here, now ` +
        `${inPlainWords(change.value)}. Give it again if that is wrong.`));
    alerts.append(
      make(
        "div",
        { class: "lk-notice" },
        ...list(`Not taken: ${plural(refused.length, "score")}`, notTaken),
        ...list("Changed on another device or by the lead", elsewhere),
        make("button", { type: "button", class: "lk-button", onclick: () => outbox.dismiss() },
          "OK"),
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
      fields = plan.attributes.map((attribute) => ({
        attribute,
        field: attributeField(attribute, {
          touch: (value) => touch(cup, attribute, value),
          draft: (value, restMs) => outbox.draft(place(cup, attribute), value, restMs),
          byKey: () => pressed === "key" && !marksOne,
        }),
      }));
      const flight = cups.some((other) => other.flight !== cup.flight)
        ? `Flight ${cup.flight}, `
        : "";
      body.replaceChildren(
        make(
          "div",
          { class: "lk-cup" },
          make("p", { class: "lk-where" }, `${flight}cup ${cup.position} of ${own.length}`),
          make(title, { class: "lk-code", tabindex: "-1", "data-heading": true },
            make("span", { class: "lk-hidden" }, "Cup "), called(cup)),
          make("p", { class: "lk-given-count" }),
          make("p", { hidden: cup.position > 1 }, "Hot coffee scalds: let it cool before you sip."),
          make("p", { hidden: !marksOne },
            `Taste ${own.length === 2 ? "both" : `all ${own.length}`} cups, then mark one.`),
        ),
        stagePicker(stage),
        make("div", { class: "lk-lock" }),
        make("div", { class: "lk-fields" }, ...fields.map(({ field }) => field.node)),
      );
    }
    body.querySelector(".lk-given-count").textContent = `${given} of ${numbers.length} given`;
    const lock = body.querySelector(".lk-lock");
    if (locked !== Boolean(lock.childElementCount))
      lock.replaceChildren(...(locked ? [make("p", { class: "lk-notice" },
        `Flight ${cup.flight} is locked: nothing in it can change any more. If something is ` +
          "wrong, tell the lead.")] : []));
    for (const { attribute, field } of fields)
      field.show(values[placeName(place(cup, attribute))] ?? null, locked);
    showBar(cup, given);
  }

  function stagePicker(stage) {
    if (!plan.stages.length) return make("div", { hidden: true });
    const options = plan.stages.map((name, i) => ({ value: i, text: HEADINGS[name] ?? name }));
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
      make("legend", { class: "lk-legend" }, "How warm is the cup?"), row.node);
  }

  function showBar(cup, given) {
    const at = cups.indexOf(cup);
    const next = cups[at + 1];
    const isFlightEnd = !next || next.flight !== cup.flight;
    const text = isFlightEnd ? "All cups" : given < numbers.length ? "Skip to next" : "Next";
    const wanted = `${keyOf(cup)} ${text} ${given} ${cups.length}`;
    if (bar.dataset.showing === wanted) return;
    bar.dataset.showing = wanted;
    const focused = bar.contains(document.activeElement) ? document.activeElement.dataset.does : "";
    bar.replaceChildren(
      barButton("back", "‹ Previous", at === 0, () => go({ cup: keyOf(cups[at - 1]) })),
      barButton("all", "Cups", false, () => go({ screen: "overview", cup: keyOf(cup) })),
      isFlightEnd
        ? barButton("on", `${text} ›`, false, () => go({ screen: "overview", cup: keyOf(cup) }))
        : barButton("on", `${text} ›`, false, () => go({ cup: keyOf(next) })),
    );
    bar.lastChild.classList.toggle("lk-ready", given === numbers.length);
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
    const blocks = [...new Set(cups.map(({ flight }) => flight))].map((number) => {
      const own = inFlight(number);
      const done = own.filter((cup) => count(cup, values) === numbers.length).length;
      return make(
        "section",
        { class: "lk-flight" },
        make(subtitle, {}, `Flight ${number}: ${done} of ${own.length} cups done` +
          (isLocked(number) ? ", locked" : "")),
        make("ol", { class: "lk-list" }, ...own.map((cup) => overviewButton(cup, values))),
      );
    });
    const stage = stageNow();
    const all = cups.every((cup) => count(cup, values) === numbers.length);
    const focused = body.contains(document.activeElement) ? document.activeElement.dataset.cup : "";
    body.replaceChildren(
      make(title, { class: "lk-title", tabindex: "-1", "data-heading": true },
        stage ? `Your cups, ${HEADINGS[stage].toLowerCase()}` : "Your cups"),
      make("p", { class: "lk-where" }, all
        ? "Everything is given. You can still correct until the lead locks the flight." +
          (plan.is_page ? "" : " The next taster picks their name above.")
        : "Between flights: rest, and rinse with water. The lead says when the next is served."),
      ...blocks,
    );
    if (focused) body.querySelector(`[data-cup="${focused}"]`)?.focus();
    bar.replaceChildren(barButton("on", "Back to the cup", false, () => go({ screen: "cup" })));
  }

  function overviewButton(cup, values) {
    const given = count(cup, values);
    const isDone = given === numbers.length;
    const isMarked = marksOne && numbers.some((attribute) =>
      values[placeName(place(cup, attribute))] === attribute.scale.highest);
    const done = isMarked ? "this one" : "done";
    const says = isDone ? done : given ? `${given} of ${numbers.length}` : "not yet";
    return make("li", {}, make(
      "button",
      {
        type: "button",
        class: `lk-cup-button ${isDone ? "lk-done" : ""}`,
        "data-cup": keyOf(cup),
        "aria-current": view.cup === keyOf(cup) ? "true" : null,
        onclick: () => go({ cup: keyOf(cup), screen: "cup" }),
      },
      make("span", { class: "lk-number" }, called(cup)),
      make("span", { class: "lk-word" }, ` ${says}`),
    ));
  }

  const onMessage = (answer) => {
    if (answer?.kind !== "answer") return;
    if (answer.look) ({ cups, flights } = answer.look);
    outbox.hear(answer);
  };
  model.on("msg:custom", onMessage);
  const watch = plan.is_page ? watchServer(outbox, plan.alive_url) : null;
  outbox.exchange();
  refresh();
  return () => {
    model.off("msg:custom", onMessage);
    window.clearInterval(watch);
    outbox.close();
    root.remove();
  };
}

/** On the tasters' page: reload once the server answers and this sheet's process does not. */
function watchServer(outbox, aliveUrl) {
  let aliveSince = null;
  let goneSince = null;
  let isAsking = false;
  return window.setInterval(async () => {
    if (!outbox.isInDoubt()) {
      aliveSince = goneSince = null;
      if (outbox.heardAt) outbox.forget("reloads");
      return;
    }
    if (isAsking) return;
    isAsking = true;
    const status = await statusOf(aliveUrl);
    isAsking = false;
    goneSince = status === GONE ? (goneSince ?? Date.now()) : null;
    if (goneSince) outbox.lose();
    const isAway = outbox.state() === "away";
    aliveSince = isAway && status === 200 ? (aliveSince ?? Date.now()) : null;
    // Reloading in vain takes longer each time, or a dozen phones would wear a slow laptop out.
    const reloads = outbox.recall("reloads") ?? 0;
    const patienceMs = goneSince && !reloads ? GONE_MS : STALE_MS * 2 ** Math.min(reloads, 3);
    const since = goneSince ?? aliveSince;
    if (isAway && since && Date.now() - since >= patienceMs) {
      outbox.settleAll();
      outbox.remember("reloads", reloads + 1);
      window.location.reload();
    }
  }, 1000);
}

/** Status of a quick request; 0 if nothing answers. */
async function statusOf(url) {
  const patience = new AbortController(); // older phones have no AbortSignal.timeout
  const timer = window.setTimeout(() => patience.abort(), 3000);
  try {
    return (await fetch(url, { cache: "no-store", signal: patience.signal })).status;
  } catch {
    return 0;
  } finally {
    window.clearTimeout(timer);
  }
}

export default { render };
