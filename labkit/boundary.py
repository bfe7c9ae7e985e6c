"""What users hand over is checked once, where they call; inner code trusts what reaches it.

:func:`checked` reads the annotations of what it decorates, a function or a class. An argument that
does not fit its annotation is refused in one sentence that names it: what was wanted, what was got
and, where people often slip, what would be right. What a right type may hold (a share up to 1, a
name that is in the lab book) is for the code of that subject.
"""

from __future__ import annotations

import inspect
import os
import sys
import types
import typing
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence, Set
from contextlib import suppress
from datetime import date, datetime
from enum import Enum
from functools import cache, partial, wraps
from importlib import import_module
from numbers import Integral, Real
from typing import Any, Final, Literal, TypeVar, Union, get_args, get_origin

from labkit.errors import LabkitError

MOST: Final = 1e12
"""No quantity of the trade comes near it; what does would leave the range of the arithmetic."""

LONGEST_SHOWN: Final = 80
"""Letters of a wrong value that a sentence repeats."""

_T = TypeVar("_T", bound=Callable[..., Any])


class _Wanted:
    """One annotation: whether a value fits it, and how it is called."""

    def __init__(
        self,
        words: str,
        fits: Callable[[Any], bool],
        why: Callable[[Any], str],
        got: Callable[[Any], str] | None = None,
    ) -> None:
        self.words = words
        self.fits = fits
        self.why = why
        self.got = got or shown


def checked(
    error: type[LabkitError], *, own_numbers: bool = False, but: Collection[str] = ()
) -> Callable[[_T], _T]:
    """Check the arguments of a function, or of a class and its public methods, when it is called.

    Parameters
    ----------
    error : type of LabkitError
        What an argument that does not fit is refused with; it carries the argument's name.
    own_numbers : bool
        Whether the code itself says what is no number, with the bounds that it has.
    but : collection of str
        Arguments of which the code itself says more than their annotations do.

    Examples
    --------
    >>> from labkit.errors import WaterError
    >>> @checked(WaterError)
    ... def pour(volume_ml: float, jugs: list[str]) -> None:
    ...     pass
    >>> pour("2,0", ["a"])
    Traceback (most recent call last):
    labkit.errors.WaterError: volume_ml must be a number, got '2,0': write it without quotes, ...
    """
    check = partial(_check_function, error=error, own_numbers=own_numbers, but=but)

    def decorate(one: _T) -> _T:
        if isinstance(one, type):
            _check_class(one, check)
            return one
        return typing.cast(_T, check(one))

    return decorate


def _check_class(kind: type, check: Callable[[Callable[..., Any]], Callable[..., Any]]) -> None:
    if "__init__" in vars(kind):
        setattr(kind, "__init__", check(vars(kind)["__init__"]))  # noqa: B010
    for name in dir(kind):
        found = inspect.getattr_static(kind, name)
        if name.startswith("_"):
            continue
        if isinstance(found, classmethod):
            setattr(kind, name, classmethod(check(found.__func__)))
        elif inspect.isfunction(found):
            setattr(kind, name, check(found))


def _check_function(
    function: Callable[..., Any],
    *,
    error: type[LabkitError],
    own_numbers: bool,
    but: Collection[str],
) -> Callable[..., Any]:
    parameters = inspect.signature(function).parameters
    if all(one.annotation is one.empty for one in parameters.values()):
        return function
    names = [
        one.name
        for one in parameters.values()
        if one.kind in (one.POSITIONAL_ONLY, one.POSITIONAL_OR_KEYWORD)
    ]
    wanted = cache(
        lambda: _wanted_of(function, own_numbers, but)
    )  # annotations are read when it is first called

    @wraps(function)
    def call(*given: Any, **named: Any) -> Any:
        asked = wanted()
        if not asked:
            return function(*given, **named)
        for name, value in zip(names, given, strict=False):
            if name in asked and not asked[name].fits(value):
                raise _refusal(error, name, asked[name], value)
        for name, value in named.items():
            if name in asked and not asked[name].fits(value):
                raise _refusal(error, name, asked[name], value)
        return function(*given, **named)

    return call


def _refusal(error: type[LabkitError], name: str, wanted: _Wanted, value: Any) -> LabkitError:
    return error(
        f"{name} must be {wanted.words}, got {wanted.got(value)}{wanted.why(value)}", field=name
    )


def shown(value: object) -> str:
    """A wrong value as a sentence repeats it, whatever it is.

    Parameters
    ----------
    value : object
        Whatever was given.

    Examples
    --------
    >>> shown("2,0"), shown([None])
    ("'2,0'", '[None]')
    """
    try:
        said = " ".join(ascii(value).split()) if _is_odd(value) else " ".join(repr(value).split())
    except Exception:  # whatever it is
        said = f"a {type(value).__name__}"
    return said if len(said) <= LONGEST_SHOWN else f"{said[: LONGEST_SHOWN - 3]}..."


def _is_odd(value: object) -> bool:
    return isinstance(value, str) and not value.isprintable()


def _wanted_of(
    function: Callable[..., Any], own_numbers: bool, but: Collection[str]
) -> dict[str, _Wanted]:
    parameters = inspect.signature(function).parameters
    asked = {}
    for name, hint in _hints(function).items():
        if name not in parameters or name in but or (own_numbers and _is_of_numbers(hint)):
            continue
        one = parameters[name]
        if one.kind in (one.VAR_KEYWORD, one.VAR_POSITIONAL):
            continue
        asked[name] = _but_for(one.default, _seed() if name == "seed" else _wanted(hint))
    return asked


def _hints(function: Callable[..., Any]) -> dict[str, Any]:
    """Annotations of the arguments as types.

    Names that a module imports only for the type checker are looked for at the rooms' doors.
    """
    inner = inspect.unwrap(function)
    written = {name: one for name, one in inner.__annotations__.items() if name != "return"}
    known = {**vars(sys.modules[inner.__module__])}
    while True:
        try:
            return typing.get_type_hints(_Annotated(written), globalns=known)
        except NameError as error:
            name = str(error.name)
            known[name] = _at_a_door(name)


class _Annotated:
    """What :func:`typing.get_type_hints` reads annotations of."""

    def __init__(self, written: Mapping[str, Any]) -> None:
        self.__annotations__ = dict(written)


def _at_a_door(name: str) -> Any:
    if name == "pd":
        return import_module("pandas")
    for room in ("water", "tasting", "book", "analysis", "workflow"):
        with suppress(AttributeError):
            return getattr(import_module(f"labkit.{room}"), name)
    raise NameError(name)


def _but_for(default: Any, wanted: _Wanted) -> _Wanted:
    """The default fits whatever it is, such as infinity for no limit."""
    if default is inspect.Parameter.empty or wanted.fits(default):
        return wanted

    def fits(value: Any) -> bool:
        is_default = value is default or (isinstance(value, float) and value == default)
        return is_default or wanted.fits(value)

    return _Wanted(wanted.words, fits, wanted.why, wanted.got)


def _wanted(hint: Any) -> _Wanted:
    """What an annotation asks for."""
    if hint in (Any, object) or isinstance(hint, TypeVar) or _is_array_like(hint):
        return _Wanted("anything", lambda _: True, lambda _: ".")
    if hint in _PLAIN:
        return _PLAIN[hint]
    origin, inner = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return _one_of([_wanted(one) for one in inner])
    if origin is Literal:
        return _Wanted(
            " or ".join(repr(one) for one in inner),
            lambda value: any(type(value) is type(one) and value == one for one in inner),
            lambda _: ".",
        )
    kind = origin or hint
    if not isinstance(kind, type):
        return _Wanted("anything", lambda _: True, lambda _: ".")
    if issubclass(kind, Mapping):
        return _mapping(*(inner or (Any, Any)))
    if kind is tuple and inner and inner[-1] is not Ellipsis:
        return _row(inner)
    if _is_generic(kind) and issubclass(kind, Iterable):
        return _many(inner[0] if inner else Any, kind)
    return _instance(kind)


def _is_generic(kind: type) -> bool:
    return kind in (list, tuple, set, frozenset) or kind.__module__ == "collections.abc"


def _is_array_like(hint: Any) -> bool:
    # Who asks for one has loaded it; the tasters' server, which asks for none, does without.
    loaded = sys.modules.get("numpy.typing")
    return loaded is not None and bool(hint == loaded.ArrayLike)


def _is_of_numbers(hint: Any) -> bool:
    several = get_args(hint) if get_origin(hint) in (Union, types.UnionType) else (hint,)
    return set(several) <= {int, float, type(None)}


def _number(value: Any) -> bool:
    if type(value) is float:  # the usual one first
        return -MOST <= value <= MOST
    return _is_real(value) and bool(-MOST <= value <= MOST)  # NaN is neither


def _is_real(value: Any) -> bool:
    return isinstance(value, Real) and not isinstance(value, bool)


def _why_no_number(value: Any) -> str:
    if isinstance(value, str):
        return ": write it without quotes, and with a point for decimals."
    if _is_real(value) and abs(value) > MOST:
        return ": that is beyond what can be computed with."
    return "."


def _whole(value: Any) -> bool:
    if type(value) is int:
        return -MOST <= value <= MOST
    is_whole = isinstance(value, Integral) and not isinstance(value, bool)
    return is_whole and bool(-MOST <= value <= MOST)


def _text(value: Any) -> bool:
    return isinstance(value, str) and not _unstorable(value)


def _unstorable(value: str) -> bool:
    """Whether no file and no database can hold it: NUL, or half a surrogate pair."""
    if value.isascii():
        return "\0" in value
    return "\0" in value or any("\ud800" <= letter <= "\udfff" for letter in value)


def _why_no_text(value: Any) -> str:
    if isinstance(value, str):
        return ", which holds a character that cannot be stored: retype it."
    return ": put it in quotes." if _is_real(value) else "."


def _day(value: Any) -> bool:
    return isinstance(value, date) and not isinstance(value, datetime)


def _why_no_day(value: Any) -> str:
    if isinstance(value, datetime):
        return ": give its day, as .date() does."
    return ": write datetime.date(2026, 11, 28)." if isinstance(value, str) else "."


def _moment(value: Any) -> bool:
    return isinstance(value, datetime) and value == value  # not NaT


def _path(value: Any) -> bool:
    return (isinstance(value, str) and _text(value)) or isinstance(value, os.PathLike)


def _nothing(_: Any) -> str:
    return "."


_PLAIN: Final[dict[Any, _Wanted]] = {
    str: _Wanted("text", _text, _why_no_text),
    float: _Wanted("a number", _number, _why_no_number),
    int: _Wanted("a whole number", _whole, _why_no_number),
    bool: _Wanted(
        "True or False", lambda value: type(value).__name__ in ("bool", "bool_"), _nothing
    ),
    date: _Wanted("a date", _day, _why_no_day),
    datetime: _Wanted("a date with its time", _moment, _nothing),
    type(None): _Wanted("None", lambda value: value is None, _nothing),
}


def _instance(kind: type) -> _Wanted:
    if getattr(kind, "_is_protocol", False):
        needed = [name for name in vars(kind) if not name.startswith("_")]
        return _Wanted(
            f"something with {' and '.join(needed)}",
            lambda value: all(
                hasattr(type(value), name) or name in getattr(value, "__dict__", {})
                for name in needed
            ),
            _nothing,
        )
    if issubclass(kind, os.PathLike):
        return _Wanted("a path", _path, _nothing)
    if issubclass(kind, Enum):
        return _Wanted(
            " or ".join(f"{kind.__name__}.{one.name}" for one in list(kind)[:6]),
            lambda value: isinstance(value, kind),
            _nothing,
        )
    if kind.__name__ == "DataFrame":
        return _Wanted(
            "a pandas DataFrame, each column once",
            lambda value: isinstance(value, kind) and typing.cast(Any, value).columns.is_unique,
            _why_no_table,
        )
    if kind.__name__ == "ndarray":
        return _Wanted("a numpy array", lambda value: isinstance(value, kind), _nothing)
    if kind.__name__ == "Callable":
        return _Wanted("a function", callable, _nothing)
    article = "an" if kind.__name__[0] in "AEIOU" else "a"
    return _Wanted(
        f"{article} {kind.__name__}", lambda value: isinstance(value, kind), _targets_instead
    )


def _why_no_table(value: Any) -> str:
    columns = getattr(value, "columns", None)
    doubled = [] if columns is None else list(columns[columns.duplicated()])
    return f": the column {doubled[0]!r} stands in it twice." if doubled else "."


def _targets_instead(value: Any) -> str:
    return ": give its targets." if hasattr(type(value), "targets") else "."


def _many(hint: Any, kind: type) -> _Wanted:
    """A list of things; an iterator, where one will do, is taken as it is: looking uses it up."""
    in_order = issubclass(kind, Sequence)
    item = _wanted(hint)
    name = getattr(hint, "__name__", "")
    words = {"text": "a list of text", "a number": "a list of numbers"}.get(item.words)
    words = words or {"a whole number": "a list of whole numbers"}.get(item.words)
    words = words or (
        f"a list of {name}" if isinstance(hint, type) else f"a list, each {item.words}"
    )

    def fits(value: Any) -> bool:
        if isinstance(value, str | bytes) or not isinstance(value, Iterable):
            return False
        if (in_order and isinstance(value, Mapping | Set)) or getattr(value, "ndim", 1) != 1:
            return False
        if isinstance(value, Collection) or hasattr(value, "ndim"):
            return all(item.fits(one) for one in value)
        return not in_order

    def why(value: Any) -> str:
        if isinstance(value, str):
            return ": put it in square brackets."
        if hasattr(type(value), "targets"):
            return ": give its targets."
        wrong = first_wrong(value)
        return item.why(wrong[0]) if wrong else "."

    def got(value: Any) -> str:
        wrong = first_wrong(value)
        return f"{shown(wrong[0])} in it" if wrong else shown(value)

    def first_wrong(value: Any) -> list[Any]:
        if isinstance(value, str | bytes | Mapping) or not isinstance(value, Collection):
            return []
        return [one for one in value if not item.fits(one)][:1]

    return _Wanted(words, fits, why, got)


def _row(hints: Sequence[Any]) -> _Wanted:
    items = [_wanted(one) for one in hints]

    def fits(value: Any) -> bool:
        if isinstance(value, str | bytes) or not isinstance(value, Sequence):
            return False
        return len(value) == len(items) and all(
            item.fits(one) for item, one in zip(items, value, strict=True)
        )

    return _Wanted(f"({', '.join(item.words for item in items)})", fits, _nothing)


def _mapping(key: Any, held: Any) -> _Wanted:
    name, item = _wanted(key), _wanted(held)

    def fits(value: Any) -> bool:
        return isinstance(value, Mapping) and all(
            name.fits(one) and item.fits(it) for one, it in value.items()
        )

    def why(value: Any) -> str:
        if not isinstance(value, Mapping):
            return "."
        for one, it in value.items():
            if not name.fits(one):
                return f": {shown(one)} is no key for it{name.why(one)}"
            if not item.fits(it):
                return f", in which {shown(one)} has {shown(it)}{item.why(it)}"
        return "."

    return _Wanted(f"a mapping from {name.words} to {item.words}", fits, why)


def _one_of(several: Sequence[_Wanted]) -> _Wanted:
    def why(value: Any) -> str:
        return next((told for one in several if (told := one.why(value)) != "."), ".")

    def got(value: Any) -> str:
        as_it_is = shown(value)
        return next((told for one in several if (told := one.got(value)) != as_it_is), as_it_is)

    return _Wanted(
        ", or ".join(dict.fromkeys(one.words for one in several)),
        lambda value: any(one.fits(value) for one in several),
        why,
        got,
    )


def _seed() -> _Wanted:
    import numpy as np

    def fits(value: Any) -> bool:
        return (
            value is None
            or isinstance(value, np.random.Generator)
            or (_whole(value) and value >= 0)
        )

    return _Wanted("a whole number from 0, or a numpy Generator", fits, _nothing)
