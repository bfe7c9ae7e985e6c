"""What was worked out once, for as long as there is room: the last used stays."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

T = TypeVar("T")


class Remembered(Generic[T]):
    """Values by what they were made from; several threads may ask at once.

    Parameters
    ----------
    most : int
        How many are kept.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._values: OrderedDict[Hashable, T] = OrderedDict()
        self._turn = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """The value of a key, made if it is not there.

        Parameters
        ----------
        key : hashable
            All that the value is made from.
        make : callable
            Makes it.
        """
        with self._turn:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key]
        made = make()  # without the lock: two at once may make it twice, and get the same
        with self._turn:
            kept = self._values.setdefault(key, made)
            self._values.move_to_end(key)
            while len(self._values) > self._most:
                self._values.popitem(last=False)
            return kept
