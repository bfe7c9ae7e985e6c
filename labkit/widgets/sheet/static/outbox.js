// Scores on their way to the lab book: kept in the browser first, gone only once acknowledged.
//
// Every score gets an id here and is sent until Python answers that it is kept or refused. Python
// keeps one row per id, so sending twice is harmless; the order of scores is never changed: they
// are counted, as a clock may step back. What can never be kept is refused, and shown as such.

const PATIENCE_MS = 4000; // unanswered for so long means not connected
const PULSE_MS = 5000; // a sign of life is asked for when nothing was said for so long
const MOST_AT_ONCE = 50;

/** localStorage, or memory where the browser refuses it; `lasts` says which. */
function openShelf() {
  try {
    window.localStorage.setItem("labkit-probe", "1");
    window.localStorage.removeItem("labkit-probe");
    return { store: window.localStorage, lasts: true };
  } catch {
    const kept = new Map();
    const store = {
      get length() {
        return kept.size;
      },
      key: (i) => [...kept.keys()][i] ?? null,
      getItem: (name) => kept.get(name) ?? null,
      setItem: (name, text) => kept.set(name, text),
      removeItem: (name) => kept.delete(name),
    };
    return { store, lasts: false };
  }
}

/** Under this name scores that wait stand in the browser: older pages called one a touch. */
const WAITING = "touch/";

/** An id that no other score has; crypto.randomUUID is missing on plain http. */
function newId() {
  const bytes = window.crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** Text as a lab book can keep it: no control characters, no half of a pair that makes one sign. */
function cleanText(text) {
  const whole = Array.from(text, (sign) => (/^[\ud800-\udfff]$/.test(sign) ? "\ufffd" : sign));
  return whole
    .join("")
    .normalize("NFC")
    .replace(/\r\n?/g, "\n")
    .replace(/[\0-\x08\x0b-\x1f\x7f-\x9f]/g, "")
    .trim();
}

/** A value as it is kept: a note without what cannot be, or none if nothing is left of it. */
const cleanValue = (value) => (typeof value === "string" ? cleanText(value) || null : value);
const isSame = (one, other) =>
  JSON.stringify(cleanValue(one ?? null)) === JSON.stringify(cleanValue(other ?? null));

const placeName = (place) => [place.flight, place.position, place.stage, place.attribute].join("/");

class Outbox {
  /**
   * @param {string} owner  opaque name of session and taster, so that two never mix
   * @param {(message: object) => void} send  hands a message to Python; may throw
   * @param {() => void} changed  called when values, pending scores or the connection change
   */
  constructor(owner, send, changed) {
    this.prefix = `labkit/${owner}/`;
    this.send = send;
    this.changed = changed;
    const { store, lasts } = openShelf();
    this.store = store;
    this.lasts = lasts;
    this.kept = {};
    this.known = "";
    this.savedAt = null;
    this.trouble = "";
    this.asked = null; // {number, at} of the message that waits for its answer
    this.number = 0;
    this.heardAt = 0;
    this.failing = false;
    this.timers = new Map();
    this.unstored = []; // scores for which this browser has no room
    this.counted = 0;
    this.device = this.recall("device", "labkit/") ?? newId().slice(0, 8);
    this.remember("device", this.device, "labkit/");
    for (const [name, place] of this.items("draft/")) this.settle(name, place);
    this.clock = window.setInterval(() => this.tick(), 1000);
    this.onWake = () => {
      this.asked = null;
      this.exchange();
      this.changed();
    };
    for (const event of ["online", "offline", "pageshow", "focus"])
      window.addEventListener(event, this.onWake);
    document.addEventListener("visibilitychange", this.onWake);
  }

  close() {
    window.clearInterval(this.clock);
    for (const timer of this.timers.values()) window.clearTimeout(timer);
    for (const event of ["online", "offline", "pageshow", "focus"])
      window.removeEventListener(event, this.onWake);
    document.removeEventListener("visibilitychange", this.onWake);
  }

  /** Stored items under a name, oldest first. */
  items(kind) {
    const start = this.prefix + kind;
    const names = [];
    for (let i = 0; i < this.store.length; i += 1) {
      const name = this.store.key(i);
      if (name?.startsWith(start)) names.push(name);
    }
    const found = [];
    for (const name of names.sort()) {
      try {
        found.push([name.slice(start.length), JSON.parse(this.store.getItem(name))]);
      } catch {
        this.store.removeItem(name); // not ours, or cut off while writing
      }
    }
    return found;
  }

  remember(name, value, prefix = this.prefix) {
    try {
      this.store.setItem(prefix + name, JSON.stringify(value));
      return true;
    } catch {
      this.lasts = false;
      return false;
    }
  }

  recall(name, prefix = this.prefix) {
    try {
      return JSON.parse(this.store.getItem(prefix + name));
    } catch {
      return null;
    }
  }

  forget(name) {
    this.store.removeItem(this.prefix + name);
  }

  /**
   * The next number in this browser, kept across reloads; another tab may count as well.
   *
   * Nothing here asks the clock, which may step back while scores wait.
   */
  count() {
    const waiting = this.pending().map(({ n }) => n);
    this.counted = Math.max(this.counted, Number(this.recall("counted")) || 0, ...waiting) + 1;
    this.remember("counted", this.counted);
    return this.counted;
  }

  /** A value given by the taster: on its way from now on. */
  score(place, given) {
    const name = placeName(place);
    window.clearTimeout(this.timers.get(name));
    this.timers.delete(name);
    const score = { ...place, id: newId(), value: cleanValue(given), at: Date.now() };
    const n = this.count();
    const isStored = this.remember(`${WAITING}${String(n).padStart(15, "0")}-${score.id}`, score);
    if (!isStored) this.unstored.push({ ...score, n });
    this.forget(`draft/${name}`);
    this.exchange();
    this.changed();
  }

  /** A value still being typed or stepped through: safe at once, a score after a rest. */
  draft(place, value, restMs) {
    const name = placeName(place);
    this.remember(`draft/${name}`, { ...place, value });
    window.clearTimeout(this.timers.get(name));
    this.timers.set(
      name,
      window.setTimeout(() => this.score(place, value), restMs),
    );
    this.changed();
  }

  /** Turn a draft into a score now. */
  settle(name, draft = this.recall(`draft/${name}`)) {
    if (draft === null) return;
    const { value, ...place } = draft;
    this.score(place, value);
  }

  settleAll() {
    for (const [name, draft] of this.items("draft/")) this.settle(name, draft);
  }

  /** Scores without an answer, in the order in which they were given. */
  pending() {
    const stored = [];
    for (const [name, score] of this.items(WAITING)) {
      if (typeof score?.id === "string") stored.push({ ...score, n: parseInt(name, 10) || 0 });
      else this.forget(`${WAITING}${name}`); // damaged: nobody could ever answer it
    }
    return [...stored, ...this.unstored].sort((one, other) => one.n - other.n);
  }

  /** Values as the taster sees them: kept ones under those on their way. */
  values() {
    const seen = { ...this.kept };
    for (const score of this.pending()) seen[placeName(score)] = score.value;
    for (const [name, draft] of this.items("draft/")) seen[name] = draft.value;
    return seen;
  }

  /** There is nobody to answer now: what waits is sent once somebody is back. */
  lose() {
    if (this.failing) return;
    this.failing = true;
    this.changed();
  }

  tick() {
    const now = Date.now();
    if (this.asked && now - this.asked.at > PATIENCE_MS) {
      this.failing = true;
      this.asked = null;
      this.changed();
    }
    if (!this.asked && (this.pending().length > 0 || now - this.heardAt > PULSE_MS))
      this.exchange();
  }

  /** Send what is pending, or ask for a sign of life; one message waits for its answer at a time. */
  exchange() {
    if (this.asked) return;
    this.number += 1;
    const scores = this.pending().slice(0, MOST_AT_ONCE);
    this.asked = { number: this.number, at: Date.now() };
    try {
      this.send({
        kind: "scores",
        number: this.number,
        known: this.known,
        device: this.device,
        now: Date.now(),
        scores: scores.map(({ n, ...score }) => score),
      });
    } catch {
      this.failing = true; // nobody is there
      this.changed();
    }
  }

  /** What Python answered. */
  hear(answer) {
    this.heardAt = Date.now();
    this.failing = false;
    this.trouble = answer.later ?? "";
    const done = new Map();
    for (const { id, at } of answer.kept) done.set(id, at);
    for (const { id } of answer.refused) done.set(id, null);
    for (const [name, score] of this.items(WAITING)) {
      if (!done.has(score?.id)) continue;
      this.settled(score, done.get(score.id));
      this.forget(`${WAITING}${name}`);
      const refused = answer.refused.find(({ id }) => id === score.id);
      if (refused) this.remember(`refused/${name}`, { ...score, sentence: refused.sentence });
    }
    for (const score of this.unstored)
      if (done.has(score.id)) this.settled(score, done.get(score.id));
    this.unstored = this.unstored.filter(({ id }) => !done.has(id));
    if (answer.look) this.learn(answer.look);
    if (this.asked && answer.number >= this.asked.number) {
      this.asked = null;
      // After a passing trouble the clock asks again; at once would be a storm.
      if (!answer.later && this.pending().length > 0) this.exchange();
    }
    this.changed();
  }

  settled(score, keptAt) {
    if (keptAt === null) return;
    this.savedAt = new Date(keptAt);
    if (score.value === null) delete this.kept[placeName(score)];
    else this.kept[placeName(score)] = score.value;
    const { flight, position, stage, attribute, code, value } = score;
    this.remember(`own/${placeName(score)}`, { flight, position, stage, attribute, code, value });
  }

  /**
   * How things stand by the lab book.
   *
   * What was given here last and now reads otherwise was changed elsewhere (on another device with
   * the same link, or by the lead): the sheet shows what counts, and says so.
   */
  learn(look) {
    this.kept = { ...look.values };
    this.known = look.mark;
    const waiting = new Set(this.pending().map(placeName));
    for (const [name, own] of this.items("own/")) {
      const value = this.kept[name] ?? null;
      if (waiting.has(name) || isSame(own.value, value)) continue;
      const first = this.recall(`elsewhere/${name}`);
      this.remember(`elsewhere/${name}`, { ...own, was: first ? first.was : own.value, value });
      this.remember(`own/${name}`, { ...own, value });
    }
  }

  refusals() {
    return this.items("refused/").map(([, score]) => score);
  }

  /** Values given here that were changed elsewhere. */
  changes() {
    return this.items("elsewhere/").map(([, change]) => change);
  }

  dismiss() {
    for (const kind of ["refused/", "elsewhere/"])
      for (const [name] of this.items(kind)) this.forget(kind + name);
    this.changed();
  }

  /** "saved", "saving", "waiting" (Python could not keep it yet) or "away". */
  state() {
    if (this.failing) return "away";
    if (this.trouble) return "waiting";
    const open = this.pending().length + this.items("draft/").length;
    return open > 0 || this.heardAt === 0 ? "saving" : "saved";
  }
}
