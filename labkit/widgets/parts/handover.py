"""Hands a file to the browser that asked for it, leaving no copy in notebook or widget state."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping
from typing import Final

from labkit.widgets.parts.browser_half import BrowserHalf

SHEET_TYPE: Final = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
"""What a browser is told an .xlsx file is."""

_SCRIPT = """
function render({ model, el }) {
  Object.assign(el.style, { maxWidth: "46rem", margin: "2px 4px", lineHeight: "1.4" });
  const show = (message, buffers) => {
    const content = buffers?.length ? buffers : [message.content];
    const blob = new Blob(content, { type: message.type });
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = message.name;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    el.setAttribute("role", "status");
    el.textContent = `'${message.name}' is in this browser's downloads. ${message.note}`;
  };
  model.on("msg:custom", show);
  return () => model.off("msg:custom", show);
}
export default { render };
"""


class HandOver(BrowserHalf):
    """A place on the page that downloads what it is handed.

    What is handed over travels as a message and is never a trait, so that a bench sheet, which
    names the waters, cannot be found in the notebook file or in the state of its widgets.
    """

    _esm = _SCRIPT

    def hand(
        self, content: str | bytes, *, name: str, note: str = "", media_type: str = "text/html"
    ) -> None:
        """Send a file, text or bytes, to every browser that shows this widget."""
        is_text = isinstance(content, str)
        message = {"name": name, "note": note, "type": media_type}
        self.send(
            message | {"content": content if is_text else ""},
            buffers=None if is_text else [content],
        )


def zipped(files: Mapping[str, str]) -> bytes:
    """Several texts, by the names of their files, in one file."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, text in files.items():
            archive.writestr(name, text)
    return made.getvalue()


def file_name(session: str, what: str, ending: str = "html") -> str:
    """Name of a file that every system takes."""
    words = "".join(c if c.isalnum() else " " for c in session).split()
    return "-".join([*words, what]) + f".{ending}"
