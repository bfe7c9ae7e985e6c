"""Offers a passphrase that was drawn at random, and says what the one typed is worth."""

from __future__ import annotations

from typing import Any

from labkit.errors import PlanError, SealError
from labkit.tasting import (
    LEAST_BITS,
    PASSPHRASE_LENGTH,
    draw_passphrase,
    drawn_bits,
    strength_bits,
    strength_in_words,
)
from labkit.widgets.parts.browser_half import BrowserHalf
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
      offered.replaceChildren(words, message.passphrase ? ` ${message.text} ` : "");
      if (message.used) {
        const noted = document.createElement("button");
        noted.type = "button";
        noted.className = "jupyter-button";
        noted.textContent = "Written down";
        Object.assign(noted.style, { minHeight: "2.75rem", width: "auto" });
        noted.addEventListener("click", () => offered.replaceChildren());
        offered.append(noted);
      }
    }
  };
  model.on("msg:custom", hear);
  el.append(button, offered, worth);
  return () => model.off("msg:custom", hear);
}
export default { render };
"""


class PassphraseOffer(BrowserHalf):
    """A button that draws a passphrase; below it what stands in the form's field is worth.

    Both travel as messages and are never traits, so that no passphrase is found in the notebook
    file or in the state of its widgets. One that was drawn seals what is planned next, unless
    another is typed; only what is typed has to be typed twice.

    Parameters
    ----------
    form : Form
        With the fields ``passphrase`` and ``again``.
    """

    _esm = _SCRIPT

    def __init__(self, form: Form) -> None:
        super().__init__()
        self.on_msg(lambda _widget, content, _buffers: self.answer(content))
        self._form, self._drawn = form, ""
        form.fields["passphrase"].observe(lambda change: self._weigh(change["new"]), "value")
        self._ask_again(False)

    def passphrase(self) -> str:
        """The passphrase to seal with: what is typed, or else what was drawn.

        Raises
        ------
        PlanError
            If what is typed differs from its repeat.
        SealError
            If nothing is typed and nothing was drawn.
        """
        typed, again = (self._form.fields[name].value for name in ("passphrase", "again"))
        if typed != again:
            raise PlanError(
                "again must match the passphrase, but the two differ. Type both again.",
                field="again",
            )
        if not typed and not self._drawn:
            raise SealError(
                "passphrase must be there to seal with, got none. Press 'Suggest a passphrase', or "
                "type one.",
                field="passphrase",
            )
        return typed or self._drawn

    def served(self, what: str) -> None:
        """Say what a drawn passphrase has sealed; it stays in sight until it is written down.

        Parameters
        ----------
        what : str
            What it has sealed.
        """
        text = f"seals {what}. Write it down: nobody can look it up."
        self._offer(self._drawn, text if self._drawn else "", used=True)
        self._drawn = ""
        self._ask_again(False)

    def _offer(self, passphrase: str, text: str, *, used: bool = False) -> None:
        self.send({"kind": "offer", "passphrase": passphrase, "text": text, "used": used})

    def _ask_again(self, needed: bool) -> None:
        self._form.fields["again"].layout.display = "" if needed else "none"

    def answer(self, content: Any) -> None:
        """Offer a passphrase to a page that asks for one; to anything else say nothing.

        Parameters
        ----------
        content : Any
            A message from the page.
        """
        if not isinstance(content, dict) or content.get("kind") != "suggest":
            return
        self._drawn = draw_passphrase()
        self._offer(
            self._drawn,
            "Write it down: it is used when you seal, nothing needs to be typed. It is "
            f"{strength_in_words(drawn_bits())}",
        )

    def _weigh(self, typed: str) -> None:
        if typed:  # then it is the one that counts
            self._ask_again(True)
            if self._drawn:
                self._drawn = ""
                self._offer("", "")
        self.send({"kind": "worth", "text": worth(typed)})


def worth(passphrase: str) -> str:
    """What is said of a passphrase while it stands in its field."""
    if not passphrase.strip():
        return ""
    bits = strength_bits(passphrase)
    if bits < LEAST_BITS or len(passphrase.strip()) < PASSPHRASE_LENGTH:
        return f"Too easily guessed to seal: {strength_in_words(bits)}"
    return f"This passphrase is {strength_in_words(bits)}"
