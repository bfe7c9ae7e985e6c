"""The door of this room: every name that others may use, and where it lives."""

from .asked import remarks as remarks
from .asked import say as say
from .asked import to_html as to_html
from .html import beware as beware
from .html import folded as folded
from .html import notes as notes
from .html import table as table
