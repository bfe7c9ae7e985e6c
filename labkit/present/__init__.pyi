"""The door of this room: every name that others may use, and where it lives."""

from .across import table_in_words as table_in_words
from .asked import remarks as remarks
from .asked import say as say
from .asked import to_html as to_html
from .bottles import figures_html as figures_html
from .cautions import CAUTIONS as CAUTIONS
from .cautions import cautions_for as cautions_for
from .curve import trust_in as trust_in
from .curve import warnings_of as warnings_of
from .html import beware as beware
from .html import folded as folded
from .html import notes as notes
from .html import table as table
from .pair_tests import pair_of as pair_of
from .panel import order_effects as order_effects
from .plans import MINUTES as MINUTES
from .plans import number_or_none as number_or_none
from .plans import what_it_buys as what_it_buys
from .reading import decided as decided
from .reading import in_words as in_words
from .search import flight_html as flight_html
from .verdict import best_of as best_of
from .water import from_to as from_to
from .water import ph_range as ph_range
from .words import side_of_right as side_of_right
from .work import known_of as known_of
