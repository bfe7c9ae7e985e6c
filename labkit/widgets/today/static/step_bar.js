// The row of steps: switches in the browser, so that a busy kernel holds nobody up, and remembers
// step and coffee in the tab (never a secret), so that a page opened again comes back to its place.
const KEPT = "labkit-today";

function recall() {
  try {
    return JSON.parse(sessionStorage.getItem(KEPT)) ?? {};
  } catch {
    return {};
  }
}

function keep(what) {
  try {
    sessionStorage.setItem(KEPT, JSON.stringify({ ...recall(), ...what }));
  } catch {
    /* a browser that keeps nothing: the page begins where the work stands */
  }
}

function render({ model, el }) {
  // In JupyterLab the address belongs to JupyterLab.
  const ownsAddress = document.body.classList.contains("lk-page");
  const nav = document.createElement("nav");
  nav.setAttribute("aria-label", "Steps");
  const style = document.createElement("style");
  el.append(nav, style);
  el.addEventListener("keydown", (event) => event.stopPropagation());
  const names = () => model.get("steps").map(([name]) => name);
  const fromAddress = () => {
    const name = ownsAddress ? decodeURIComponent(location.hash.slice(1)) : "";
    return names().includes(name) ? name : null;
  };

  const place = (name) =>
    [...document.querySelectorAll(`.${model.get("scope")} .lk-step-${name}`)]
      .find((one) => one.offsetParent);

  const show = () => {
    const chosen = model.get("chosen");
    style.textContent = chosen
      ? `.${model.get("scope")} .lk-step:not(.lk-step-${chosen}) { display: none !important }`
      : "";
    for (const button of nav.children) {
      if (button.dataset.step === chosen) button.setAttribute("aria-current", "step");
      else button.removeAttribute("aria-current");
      button.classList.toggle("lk-next", button.dataset.step === model.get("next_step"));
    }
    if (!chosen) return;
    keep({ step: chosen });
    if (ownsAddress && fromAddress() !== chosen) {
      const isFirst = !location.hash;
      history[isFirst ? "replaceState" : "pushState"](null, "", `#${chosen}`);
    }
  };

  const choose = (name) => {
    if (name === model.get("chosen")) return;
    model.set("chosen", name);
    model.save_changes();
  };

  for (const [name, label] of model.get("steps")) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.step = name;
    button.textContent = label;
    button.addEventListener("click", () => choose(name));
    nav.append(button);
  }

  const goThere = (message) => {
    if (message.kind === "next") {
      document.querySelector(`.${model.get("scope")} .lk-today-next`)?.focus();
    }
    if (message.kind !== "go") return;
    // The step is made in the same breath: its part may come a moment later.
    const began = Date.now();
    const look = () => {
      const step = place(message.step);
      const part = message.part && step ? step.querySelector(`.lk-part-${message.part}`) : step;
      if (!part && Date.now() - began < 8000) return void setTimeout(look, 100);
      const target = part ?? step;
      if (!target) return;
      target.scrollIntoView({ block: "start" });
      if (target.contains(document.activeElement)) return; // a field of it was gone to meanwhile
      target.tabIndex = -1;
      target.focus({ preventScroll: true });
    };
    look();
  };

  const keepCoffee = () => keep({ coffee: model.get("coffee") });
  const back = () => {
    const name = fromAddress();
    if (name) choose(name);
  };
  model.on("change:chosen change:next_step", show);
  model.on("change:coffee", keepCoffee);
  model.on("msg:custom", goThere);
  window.addEventListener("hashchange", back);
  const endDrafts = followDrafts(model, nav);
  show();
  const kept = recall();
  const step = fromAddress() ?? (names().includes(kept.step) ? kept.step : null);
  model.send({ kind: "here", step, coffee: kept.coffee ?? null });
  return () => {
    endDrafts();
    model.off("change:chosen change:next_step", show);
    model.off("change:coffee", keepCoffee);
    model.off("msg:custom", goThere);
    window.removeEventListener("hashchange", back);
  };
}

export default { render };
