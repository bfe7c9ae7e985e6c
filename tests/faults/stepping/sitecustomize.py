"""A clock that steps: Python reads by how many seconds from a file, and looks again each time.

Loaded by every Python that has this folder on its path; what only goes forward (monotonic) stays.
"""

import datetime
import os
import time

_FILE = os.environ.get("LABKIT_TEST_CLOCK", "")
_time, _datetime = time.time, datetime.datetime


def _shift():
    try:
        with open(_FILE) as file:
            return float(file.read() or 0)
    except (OSError, ValueError):
        return 0.0


class _Kind(type):
    def __instancecheck__(cls, one):
        return isinstance(one, _datetime)


class _Stepping(_datetime, metaclass=_Kind):
    @classmethod
    def now(cls, tz=None):
        return _datetime.now(tz) + datetime.timedelta(seconds=_shift())

    def __new__(cls, *given, **named):
        return _datetime(*given, **named)


if _FILE:
    time.time = lambda: _time() + _shift()
    datetime.datetime = _Stepping
