"""Offers a passphrase that was drawn at random, and says what the one typed is worth."""

from __future__ import annotations

from typing import Any

import anywidget

from labkit.tasting import (
    LEAST_BITS,
    PASSPHRASE_LENGTH,
    draw_passphrase,
    drawn_bits,
    strength_bits,
    strength_in_words,
)
from labkit.widgets.parts.fields import Form

_SCRIPT = """
function render({ model, el }) {
  Object.assign(el.style, { maxWidth: "46rem", margin: "2px 4px", lineHeight: "1.4" });
  const button = document.createElement("button");
  button.type = "button";
  button.className = "jupyter-button";
  button.textContent = "Suggest a passphrase";
  Object.assign(button.style, { minHeight: "2.75rem", width: "auto" });
  const offered = document.createElement("p");
  const worth = document.createElement("p");
  for (const said of [offered, worth]) said.setAttribute("role", "status");
  button.addEventListener("click", () => model.send({ kind: "suggest" }));
  const hear = (message) => {
    if (message.kind === "worth") worth.textContent = message.text;
    else {
      const words = document.createElement("strong");
      words.textContent = message.passphrase;
      offered.replaceChildren(words, message.passphrase ? ` ${message.text}` : "");
    }
  };
  model.on("msg:custom", hear);
  el.append(button, offered, worth);
  return () => model.off("msg:custom", hear);
}
export default { render };
"""


class PassphraseOffer(anywidget.AnyWidget):
    """A button that offers a passphrase; below it what stands in the form's field is worth.

    Both travel as messages and are never traits, so that no passphrase is found in the notebook
    file or in the state of its widgets.

    Parameters
    ----------
    form : Form
        With the fields ``passphrase`` and ``again``.
    """

    _esm = _SCRIPT

    def __init__(self, form: Form) -> None:
        super().__init__()
        self.on_msg(lambda _widget, content, _buffers: self.answer(content))
        form.fields["passphrase"].observe(lambda change: self._weigh(change["new"]), "value")

    def clear(self) -> None:
        """Take the offer off the page: it has served."""
        self.send({"kind": "offer", "passphrase": "", "text": ""})

    def answer(self, content: Any) -> None:
        """Offer a passphrase to a page that asks for one; to anything else say nothing.

        Parameters
        ----------
        content : Any
            A message from the page.
        """
        if not isinstance(content, dict) or content.get("kind") != "suggest":
            return
        text = (
            f"Write it down and type it into both fields. It is {strength_in_words(drawn_bits())}"
        )
        self.send({"kind": "offer", "passphrase": draw_passphrase(), "text": text})

    def _weigh(self, typed: str) -> None:
        self.send({"kind": "worth", "text": worth(typed)})


def worth(passphrase: str) -> str:
    """What is said of a passphrase while it stands in its field."""
    if not passphrase.strip():
        return ""
    bits = strength_bits(passphrase)
    if bits < LEAST_BITS or len(passphrase.strip()) < PASSPHRASE_LENGTH:
        return f"Too easily guessed to seal: {strength_in_words(bits)}"
    return f"This passphrase is {strength_in_words(bits)}"
