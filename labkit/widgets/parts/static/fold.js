// The line of a fold: a native button, which keyboards, mice and screen readers know.

function render({ model, el, signal }) {
  const button = document.createElement("button");
  const mark = document.createElement("span");
  const title = document.createElement("span");
  button.type = "button";
  button.className = "lk-fold-button";
  mark.className = "lk-fold-mark";
  mark.setAttribute("aria-hidden", "true");
  button.append(mark, title);
  el.append(button);

  const say = () => {
    title.textContent = model.get("title");
    button.setAttribute("aria-expanded", String(model.get("is_open")));
  };
  say();
  button.addEventListener("click", () => {
    model.set("is_open", !model.get("is_open"));
    model.save_changes();
  });
  // A notebook takes Enter on a button for "edit the cell"; here it opens the fold.
  el.addEventListener("keydown", (event) => {
    if (!event.ctrlKey && !event.metaKey && event.key !== "Escape") event.stopPropagation();
  });
  model.on("change", say);

  // What it opens is the box beside it, which may come to the page a moment later.
  let tries = 0;
  const join = () => {
    const box = el.closest(".lk-fold")?.querySelector(":scope > .lk-fold-box");
    if (box) {
      box.id ||= `lk-fold-${Math.random().toString(36).slice(2)}`;
      button.setAttribute("aria-controls", box.id);
    } else if (tries++ < 200 && !signal?.aborted) setTimeout(join, 50);
  };
  join();
  return () => model.off("change", say);
}
export default { render };
