"""The door of this room: every name that others may use, and where it lives."""

from .across import acidity_of as acidity_of
from .across import asked_for_acidity as asked_for_acidity
from .across import one_water as one_water
from .across import read_all as read_all
from .across import words_of as words_of
from .cards import Card as Card
from .cards import base_name as base_name
from .cards import make_card as make_card
from .confirming import Candidate as Candidate
from .confirming import Confirming as Confirming
from .confirming import confirm as confirm
from .confirming import waters_to_test as waters_to_test
from .next_flights import NextFlight as NextFlight
from .next_flights import Path as Path
from .next_flights import ask_earlier_coffees as ask_earlier_coffees
from .next_flights import next_flight as next_flight
from .readings import Findings as Findings
from .readings import Opened as Opened
from .readings import best_levels as best_levels
from .readings import opened as opened
from .readings import read as read
from .recipes import VOLUMES_L as VOLUMES_L
from .recipes import make_recipes as make_recipes
from .reports import Report as Report
from .reports import SessionRecord as SessionRecord
from .reports import make_report as make_report
