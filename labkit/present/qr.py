"""A QR code, drawn for page and paper."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal


@lru_cache(maxsize=32)  # a long text takes a fifth of a second, and a card is shown again and again
def qr_svg(text: str, *, spare: Literal["little", "some"] = "some") -> str:
    """A QR code as inline SVG, black on white with its quiet zone, in dark surroundings too.

    Parameters
    ----------
    text : str
        What a phone reads: an address, or text that it shows without any server.
    spare : {"little", "some"}
        How much of it may be soiled and still be read: 7 or 15 in 100 (ISO/IEC 18004, levels L and
        M); a long text with little is drawn less finely.

    Returns
    -------
    str
        An ``svg`` element, to be sized by the style of its page.
    """
    import qrcode
    from qrcode.image.svg import SvgPathFillImage

    levels = {
        "little": qrcode.constants.ERROR_CORRECT_L,
        "some": qrcode.constants.ERROR_CORRECT_M,
    }
    drawn = qrcode.make(
        text,
        image_factory=SvgPathFillImage,
        error_correction=levels[spare],
        box_size=10,
        border=4,
    )
    svg: str = drawn.to_string(encoding="unicode")
    # Within HTML an svg element needs no namespace, and paper shall name no address.
    return svg.replace(' xmlns="http://www.w3.org/2000/svg"', "")
