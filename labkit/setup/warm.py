"""What the page needs, imported before anybody asks for it: most of the time of opening it.

The names that a door hands on when first used load their rooms here.
"""

from labkit import analysis, bench, book, present, water, widgets, workflow

for room in (analysis, bench, book, present, water, widgets, workflow):
    for name in room.__all__:
        getattr(room, name)
