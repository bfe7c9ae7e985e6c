"""The door of this room: every name that others may use, and where it lives."""

from .asked import remarks as remarks
from .asked import say as say
from .asked import to_html as to_html
from .cautions import CAUTIONS as CAUTIONS
from .doses import taste_may_differ as taste_may_differ
from .html import beware as beware
from .html import folded as folded
from .html import notes as notes
from .html import table as table
from .plans import number_or_none as number_or_none
from .water import from_to as from_to
from .water import ph_range as ph_range
