"""What the page needs, imported before anybody asks for it: most of the time of opening it.

The names that a door hands on when first used load their rooms here. All of it stays, so that no
garbage is looked for in it, neither meanwhile (half a second of three) nor later.
"""

import gc

from labkit import analysis, bench, book, present, water, widgets, workflow

gc.disable()
try:
    for room in (analysis, bench, book, present, water, widgets, workflow):
        for name in room.__all__:
            getattr(room, name)
finally:
    gc.freeze()
    gc.enable()
