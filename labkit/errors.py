"""Every error that labkit raises, in one tree.

Each inherits :class:`LabkitError` and the nearest builtin, so that a caller may catch either. A
message names the field, the rule, the value and the remedy in one sentence; an error that concerns
one argument carries its name as ``field`` too, so that a form shows it beside that field.
"""

from __future__ import annotations


class LabkitError(Exception):
    """Root of all errors raised on purpose by labkit.

    Parameters
    ----------
    *args : object
        The message.
    field : str, optional
        Name of the argument that it concerns; none if it concerns no single one.
    """

    def __init__(self, *args: object, field: str | None = None) -> None:
        super().__init__(*args)
        self.field = field

    place: int | None = None
    """Which of several things given together it is about, from 0; None where there is one."""


class SaltError(LabkitError, ValueError):
    """A salt is unknown, its hydrate is missing, or its formula cannot be read."""


class ConcentrateError(LabkitError, ValueError):
    """A concentrate cannot be made or used as described."""


class WaterError(LabkitError, ValueError):
    """A water or its analysis is impossible."""


class DosingError(LabkitError, ValueError):
    """A wanted water cannot be reached with what is at hand."""


class StockError(LabkitError, ValueError):
    """A bottle holds less than sealed flights may take of it."""


class SweepError(LabkitError, ValueError):
    """A sweep of waters is badly asked for, or one of its waters cannot be made."""


class PlanError(LabkitError, ValueError):
    """A tasting cannot be planned as asked."""


class SealError(LabkitError, ValueError):
    """A sealed key does not open: wrong passphrase, or the key was changed."""


class LockError(LabkitError, RuntimeError):
    """The lock forbids it: scoring after the lock, or opening the key before it."""


class ScaleError(LabkitError, ValueError):
    """A score is not on its scale."""


class BookError(LabkitError, RuntimeError):
    """A lab book cannot be opened, read or written."""


class BookAwayError(BookError):
    """A lab book cannot be read or written now; the same may well work later."""


class UnknownLinkError(BookError):
    """A link's secret is nobody's."""


class StaleError(BookError):
    """A score comes late: the same taster has said something else since, on another device."""


class ImportFileError(LabkitError, ValueError):
    """A file to import has wrong columns or rows."""


class ReadingError(LabkitError, ValueError):
    """There is nothing in the scores that could be read."""


class RegionError(LabkitError, ValueError):
    """The region to search is empty or badly described."""


class SetUpError(LabkitError, RuntimeError):
    """The environment cannot be made, or the workbook cannot be started, on this machine."""


class SheetError(LabkitError, ValueError):
    """A sheet cannot be laid out or printed as asked."""
