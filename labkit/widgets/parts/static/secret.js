// A line that is not shown while it is typed. What is typed is kept here, outside the state of the
// widget, which a notebook may be saved with, and goes to Python as a message once the field is left.
export default () => {
  let text = "";
  const boxes = new Set();
  const show = () => {
    for (const box of boxes) if (box.value !== text) box.value = text;
  };
  return {
    initialize({ model }) {
      model.on("msg:custom", (message) => {
        if (message.kind !== "empty") return;
        text = "";
        show();
      });
    },
    render({ model, el }) {
      const label = document.createElement("label");
      label.className = "widget-label";
      const box = document.createElement("input");
      Object.assign(box, { type: "password", autocomplete: "off", spellcheck: false });
      box.id = `lk-${Math.random().toString(36).slice(2)}`;
      label.htmlFor = box.id;
      const name = () => {
        label.textContent = model.get("description");
        label.title = label.textContent;
        label.style.width = model.get("label_width");
      };
      box.addEventListener("change", () => {
        if (box.value === text) return;
        text = box.value;
        show();
        model.send({ kind: "typed", text });
      });
      boxes.add(box);
      show();
      name();
      model.on("change:description", name);
      el.append(label, box);
      return () => {
        boxes.delete(box);
        model.off("change:description", name);
      };
    },
  };
};
