// The line from a phone to the lead's laptop: what the sheet takes for its widget's model. It opens
// itself again whenever it ends; what was on its way is sent again by the outbox, under the same id.

const RETRY_MS = [250, 500, 1000, 2000, 4000]; // apart, so that a dozen phones do not come at once
const LOST_MS = 1000; // without a line for so long is worth telling the taster
const ANEW = 4000; // ends a line whose page is to show something else

class Line {
  constructor(url, plan) {
    this.url = url;
    this.plan = plan;
    this.calls = new Map();
    this.tries = 0;
    this.brokenAt = null;
    this.connect();
    window.setInterval(() => this.check(), 1000);
    for (const event of ["online", "pageshow", "focus"])
      window.addEventListener(event, () => this.hurry());
    document.addEventListener("visibilitychange", () => this.hurry());
  }

  // ------------------------------------------------ what a sheet asks of a model

  get(name) {
    return name === "plan" ? this.plan : undefined;
  }

  on(name, call) {
    this.calls.set(name, [...(this.calls.get(name) ?? []), call]);
  }

  off(name, call) {
    this.calls.set(name, (this.calls.get(name) ?? []).filter((one) => one !== call));
  }

  /** Hand a message over; while the line is being opened it is not sent, and asked for later. */
  send(message) {
    if (this.isLost()) throw new Error("not connected");
    if (this.socket.readyState !== WebSocket.OPEN) return;
    this.waitingSince ??= Date.now();
    this.socket.send(JSON.stringify({ ...message, page: this.plan.mark }));
  }

  // ------------------------------------------------ the socket

  connect() {
    window.clearTimeout(this.timer);
    this.timer = null;
    this.begunAt = Date.now();
    this.waitingSince = null;
    const socket = new WebSocket(this.url);
    this.socket = socket;
    socket.onopen = () => {
      if (this.socket !== socket) return;
      this.brokenAt = null;
      this.tell("open");
    };
    socket.onmessage = ({ data }) => {
      if (this.socket !== socket) return;
      this.tries = 0;
      this.waitingSince = null;
      countReloads(0);
      this.tell("msg:custom", JSON.parse(data));
    };
    socket.onclose = ({ code }) => {
      if (this.socket === socket) this.end(code);
    };
  }

  /** The line has ended, or nobody answers on it: open another. */
  end(code) {
    const { socket } = this;
    this.socket = { readyState: WebSocket.CLOSED };
    socket.close?.();
    if (code === ANEW) return reload();
    this.brokenAt ??= Date.now();
    const pause = RETRY_MS[Math.min(this.tries, RETRY_MS.length - 1)];
    this.tries += 1;
    this.timer = window.setTimeout(() => this.connect(), pause * (0.5 + Math.random()));
  }

  isLost() {
    return this.brokenAt !== null && Date.now() - this.brokenAt > LOST_MS;
  }

  check() {
    const { readyState } = this.socket;
    const since = readyState === WebSocket.CONNECTING ? this.begunAt : this.waitingSince;
    // A phone that changed its network has a line that looks open and leads nowhere.
    if (readyState !== WebSocket.CLOSED && since && Date.now() - since > PATIENCE_MS) this.end();
    if (this.isLost()) this.tell("lost");
  }

  /** Somebody looks at the page, or the network is back: not the time to wait for the next try. */
  hurry() {
    if (document.visibilityState === "visible" && this.timer !== null) this.connect();
  }

  tell(name, message) {
    for (const call of this.calls.get(name) ?? []) call(message);
  }
}

const RELOADS = "labkit-reloads";

/** Load the page anew; each time later, if it was in vain. */
function reload() {
  const times = countReloads();
  countReloads(times + 1);
  window.setTimeout(() => window.location.reload(), times ? 1000 * 2 ** Math.min(times, 5) : 0);
}

/** How often this tab was loaded anew in a row; a browser that keeps nothing waits each time. */
function countReloads(times) {
  try {
    if (times !== undefined) window.sessionStorage.setItem(RELOADS, times);
    return Number(window.sessionStorage.getItem(RELOADS));
  } catch {
    return 1;
  }
}

const scheme = window.location.protocol === "https:" ? "wss:" : "ws:";
const { host, search } = window.location;
const plan = JSON.parse(document.getElementById("plan").textContent);
const el = document.getElementById("sheet");
el.replaceChildren();
render({ model: new Line(`${scheme}//${host}/line${search}`, plan), el });
