"""The door of this room: every name that others may use, and where it lives."""

from .doses import record_doses as record_doses
from .keys import LockedFlights as LockedFlights
from .keys import lock_flights as lock_flights
from .keys import open_flights as open_flights
from .names import USUAL_SHEET as USUAL_SHEET
from .names import attributes_of as attributes_of
from .pair_testing import plan_pair_test as plan_pair_test
from .planning import PlannedSession as PlannedSession
from .planning import Preparation as Preparation
from .planning import plan_session as plan_session
from .preparing import prepare_flights as prepare_flights
from .replanning import replan as replan
from .replanning import unserved_flights as unserved_flights
from .scores import record_scores as record_scores
from .usual import Usual as Usual
from .usual import usual_of as usual_of
