"""How it is said: sentences, tables as HTML, numbers at the resolution of balance and pipette.

Results carry values and enumerations; here stands what is said about them, once. Three questions
take any result: ``to_html(value)``, ``say(value)`` (one line of text) and ``remarks(value)``
(sentences that the reader should know). Each is a :func:`functools.singledispatch`; a module of
this room answers for its types with ``@to_html.register``, and ``asked.py`` says which modules
speak for which room. A result class that inherits ``labkit.shown.Shown`` shows itself in a
notebook by ``to_html``.
"""

import lazy_loader

__getattr__, __dir__, __all__ = lazy_loader.attach_stub(__name__, __file__)
