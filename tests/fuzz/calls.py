"""Every public callable that users call, found at the rooms' doors, and a good call of each."""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from labkit import analysis, book, tasting, water, workflow
from labkit.book import LabBook, Score
from labkit.language import LANGUAGES
from tests.fuzz import place as at
from tests.fuzz.place import OVERALL, PASSPHRASE, TASTERS, TODAY, WATERS, Place
from tests.project import PROJECT

ROOMS = ("water", "tasting", "book", "analysis", "workflow", "bench")
PARTS = ("people", "sessions", "scores", "stock", "readings")

MADE_BY_PEOPLE = frozenset(
    [
        "Target",
        "Concentrate",
        "MeasuredStrength",
        "SharedBottle",
        "Salt",
        "Water",
        "StartWater",
        "PureWater",
        "DayReading",
        "DropKit",
        "DropCount",
        "MeterReading",
        "Scale",
        "Factor",
        "Sweep",
        "TasterNoise",
        "Attribute",
        "Held",
        "LeftOut",
        "Score",
        "SessionWater",
        "KeyRow",
        "Excluded",
        "Region",
        "PlantedPeak",
        "PanelNoise",
        "Component",
        "LabelPaper",
        "Quantity",
        "Portion",
    ]
)
"""Classes that scripts construct; all others are what the verbs answer."""

INNER = frozenset(
    [
        "analysis.pack_reading",
        "analysis.unpack_reading",
        "analysis.pack_earlier",
        "analysis.unpack_earlier",
        "analysis.pack_head_start",
        "analysis.unpack_head_start",
        "analysis.head_start_from",
        "analysis.coffee_sums",
        "analysis.pack_coffee_sums",
        "analysis.unpack_coffee_sums",
        "analysis.panel_history_from",
        "analysis.set_side_by_side",
        "analysis.one_water",
        "analysis.Surface.compare",
        "analysis.Surface.difference",
        "analysis.Surface.spread",
        "analysis.Cells.of",
        "analysis.RepeatNoise.of",
        "analysis.simultaneous",
        "analysis.fit_mixed",
        "analysis.Component",
        "analysis.Component.grouped",
        "analysis.WaterMap.water",
        "analysis.term_matrix",
        "analysis.level_point",
        "analysis.second_order_terms",
        "tasting.SealedKey.open_doses",
        "bench.plot_words",
        "bench.words_picture",
        "tasting.follow_counts",
        "tasting.right_place",
        "water.scale_columns",
        "tasting.detectable_difference",
        "tasting.position_counts",
        "water.figure",
        "water.litres",
        "water.measured_ml",
        "water.percent",
        "water.up",
        "water.counted",
        "water.meter_of",
        "water.open_shares",
        "water.is_finite",
        "water.is_whole",
        "water.bottle_saturation",
        "water.clouding",
        "water.Totals.of_ions",
        "water.WaterTable.of_waters",
        "analysis.Surface.draws",
        "analysis.Surface.known",
        "book.readings.keep",
        "book.readings.take",
        "book.readings.marks",
        "book.stock.reserve",
        "book.stock.seal_doses",
        "book.stock.take_reserved",
        "book.sessions.store_plan",
        "book.ensure_demo_book",
    ]
)
"""What other rooms call with what they made themselves: inner code trusts."""


@dataclass(frozen=True, eq=False)
class Public:
    """Something public that can be called."""

    name: str
    """With its room, such as ``water.mix`` or ``book.people.add_client``."""

    find: Callable[[Place], Callable[..., Any]]
    """The thing itself, of this place."""

    parameters: Mapping[str, inspect.Parameter]
    """What it takes, without self."""


def _parameters(function: Any, skip: int = 0) -> dict[str, inspect.Parameter]:
    found = list(inspect.signature(function).parameters.values())[skip:]
    return {one.name: one for one in found if one.kind not in (one.VAR_KEYWORD, one.VAR_POSITIONAL)}


def door_of(room: str) -> list[str]:
    """The names at a room's door."""
    stub = PROJECT / "labkit" / room / "__init__.pyi"
    return re.findall(r" as (\w+)$", stub.read_text(encoding="utf-8"), re.MULTILINE)


def public() -> Iterator[Public]:
    """Functions, constructors and methods that a script may call."""
    return (one for one in _at_the_doors() if one.name not in INNER)


def _at_the_doors() -> Iterator[Public]:
    for room in ROOMS:
        module = importlib.import_module(f"labkit.{room}")
        for name in door_of(room):
            one = getattr(module, name)
            if inspect.isfunction(one):
                yield Public(f"{room}.{name}", lambda _, f=one: f, _parameters(one))
            elif inspect.isclass(one) and dataclasses.is_dataclass(one):
                yield from _of_class(room, name, one)
    with Place() as there:
        for part in PARTS:
            kind = type(getattr(there.book, part))
            for name, one in inspect.getmembers(kind, inspect.isfunction):
                if not name.startswith("_"):
                    find = lambda here, p=part, n=name: getattr(getattr(here.book, p), n)  # noqa: E731
                    yield Public(f"book.{part}.{name}", find, _parameters(one, 1))
    for name in ("back_up", "export_folder"):
        find = lambda here, n=name: getattr(here.book, n)  # noqa: E731
        yield Public(f"book.{name}", find, _parameters(getattr(LabBook, name), 1))
    yield Public("book.LabBook", lambda _: LabBook, _parameters(LabBook.__init__, 1))


def _of_class(room: str, name: str, one: Any) -> Iterator[Public]:
    if name in MADE_BY_PEOPLE:
        yield Public(f"{room}.{name}", lambda _: one, _parameters(one))
    for member, found in inspect.getmembers(one):
        if member.startswith("_") or member not in vars(one):
            continue
        if inspect.ismethod(found):  # of the class
            yield Public(f"{room}.{name}.{member}", lambda _, f=found: f, _parameters(found))
        elif inspect.isfunction(found) and len(_parameters(found)) > 1 and name in BY_TYPE:
            find = lambda here, n=name, m=member: getattr(BY_TYPE[n](here), m)  # noqa: E731
            yield Public(f"{room}.{name}.{member}", find, _parameters(found, 1))


def good(one: Public, here: Place) -> dict[str, Any]:
    """Arguments with which the call works: what has no default, and some that are worth having."""
    given = {}
    for name, parameter in one.parameters.items():
        key = f"{one.name}.{name}"
        if key in BY_CALL:
            given[name] = BY_CALL[key](here)
        elif parameter.default is parameter.empty:
            given[name] = _argument(name, str(parameter.annotation), key, here)
    return given


def _argument(name: str, annotation: str, key: str, here: Place) -> Any:
    for table, entry in ((BY_NAME, name), (BY_TYPE, annotation)):
        if entry in table:
            return table[entry](here)
    raise LookupError(f"no value for {key}: {annotation}")


def lacks(one: Public) -> list[str]:
    """Arguments of which nothing here knows a good value: a new function's, say."""
    return [
        name
        for name, parameter in one.parameters.items()
        if parameter.default is parameter.empty
        and f"{one.name}.{name}" not in BY_CALL
        and name not in BY_NAME
        and str(parameter.annotation) not in BY_TYPE
    ]


def value(it: Any) -> Callable[[Place], Any]:
    """A value that nobody changes."""
    return lambda _: it


def _rng(_: Place) -> np.random.Generator:
    return np.random.default_rng(1)


def _recipe(_: Place) -> Any:
    return workflow.make_recipes(WATERS[1], concentrates=at.bottles(), volumes_l=(1.0,))[0]


def _sweep(_: Place) -> Any:
    return tasting.ratio_sweep(hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)


_LIKING = tasting.scale("liking 1-9")

BY_NAME: dict[str, Callable[[Place], Any]] = {
    "book": lambda here: here.book,
    "coffee": value("Ravendo"),
    "client": value(at.CLIENT),
    "session": value("planned"),
    "taster": value("Ines"),
    "passphrase": value(PASSPHRASE),
    "attribute": value("overall"),
    "flight": value(1),
    "number": value(1),
    "flights": value((1,)),
    "reason": value("a test"),
    "done_by": value("Ines"),
    "text": value("Ca 40, Mg 40, alk 40"),
    "field": value("water"),
    "factor": value("mg_share"),
    "method": value("paired preference"),
    "tasters": value(TASTERS),
    "targets": value(WATERS),
    "waters": value(WATERS),
    "target": value(WATERS[1]),
    "water": lambda _: at.mixing().reached,
    "concentrates": lambda _: at.bottles(),
    "sources": lambda _: at.bottles(),
    "bottles": lambda _: at.bottles(),
    "salt": lambda _: water.salt("KHCO3"),
    "salts": lambda _: tuple(one.salt for one in at.bottles()),
    "pair": lambda _: at.pair(),
    "plan": lambda here: here.plan(),
    "sweep": _sweep,
    "recipe": _recipe,
    "opened_flights": lambda here: here.opened_flights(),
    "noise": lambda _: tasting.practised_noise(_LIKING),
    "seed": _rng,
    "frame": lambda here: here.frame,
    "scores": at.gathered,
    "surface": at.surface,
    "reading": at.reading,
    "found": lambda _: at.findings(),
    "belief": at.belief,
    "leader": value(WATERS[3]),
    "control": value(WATERS[2]),
    "scale": value(_LIKING),
    "language": value(LANGUAGES["de"]),
    "n_waters": value(5),
    "n_tasters": value(4),
    "n_cups": value(4),
    "n_factors": value(2),
    "orders": lambda _: at.orders(),
    "blocks": value([[0, 1, 2], [1, 2, 3], [2, 3, 0], [3, 0, 1], [4, 1, 2]]),
    "mg_share": value(0.5),
    "mg_shares": value((0, 0.5, 1)),
    "hardness_mg_l_caco3": value(80.0),
    "alkalinity_mg_l_caco3": value(40.0),
    "hardnesses_mg_l_caco3": value((40.0, 80.0, 120.0)),
    "alkalinities_mg_l_caco3": value((20.0, 40.0, 60.0)),
    "temperature_c": value(25.0),
    "volume_ml": value(1000.0),
    "volume_l": value(1.0),
    "jug_volume_ml": value(1000.0),
    "purity": value(1.0),
    "minutes": value(45.0),
    "unit": value("mg/L as CaCO3"),
    "share": value(0.5),
    "level": value(0.5),
    "strength_g_l": value(1.5),
    "ions_mmol_l": lambda _: np.array([at.mixing().reached.vector]),
    "wanted": value(WATERS[1]),
    "doses": value({"calcium": 10.0}),
    "at_most": value({"calcium": 100.0}),
    "coffees": value([(at.CLIENT, "Ravendo")]),
    "path": lambda here: here.csv(),
    "where": lambda here: str(here.folder / "new.db"),
    "folder": lambda here: str(here.folder / "out"),
    "correct": value(9),
    "n": value(12),
    "alpha": value(0.05),
    "chance": value(0.5),
}

BY_TYPE: dict[str, Callable[[Place], Any]] = {
    "str": value("a name"),
    "float": value(1.5),
    "int": value(3),
    "bool": value(False),
    "object": value(WATERS[1]),
    "LabBook": lambda here: here.book,
    "Target": value(WATERS[1]),
    "Water": lambda _: at.mixing().reached,
    "Concentrate": lambda _: at.bottles()[0],
    "Salt": lambda _: water.salt("KHCO3"),
    "CupPlan": lambda here: here.plan(),
    "Scale": value(_LIKING),
    "Recipe": _recipe,
    "Mixing": lambda _: at.mixing(),
    "Supply": lambda _: at.tap(),
    "DayReading": lambda _: water.DayReading(conductivity_25c_us_cm=150.0),
    "StartWater": lambda _: water.StartWater(),
    "DropKit": lambda _: water.DropKit(name="drops", mg_l_caco3_per_drop=10.0),
    "Quantity": value(tasting.MEASURED["strength_percent"]),
    "Coordinate": value(water.COORDINATE["mg_share"]),
    "Region": lambda _: analysis.Region(),
    "Sweep": _sweep,
    "Surface": at.surface,
    "Reading": at.reading,
    "Belief": at.belief,
    "SealedKey": lambda here: here.plan().keys[0],
    "LeftOut": lambda _: book.LeftOut(),
    "pd.DataFrame": lambda here: here.frame,
    "date": value(TODAY),
    "tuple[str, ...]": value(("Ines", "Jonas")),
    "WaterMap": at.once(lambda: analysis.water_map(analysis.gather_scores(at.some_scores()))),
    "Method": value(tasting.METHODS["triangle"]),
}


def _across(here: Place) -> Any:
    return workflow.read_all(here.book)


_tank = at.once(lambda: workflow.one_water(Place().book))
_acidity = at.once(lambda: workflow.acidity_of(Place().book, "Sharp"))
_linked = at.once(lambda: _link())
_suggested = at.once(lambda: analysis.suggest_flight(at.belief(Place()), k=3))
_curves = at.once(lambda: analysis.plan_curves(n_coffees=2, n_flights=2))


def _link() -> Any:
    with Place() as here:
        return workflow.words_of(here.book, [(at.CLIENT, "Ravendo")], analysis.trade_sayings())


def _cups(here: Place) -> Any:
    code = sorted(here.plan("begun").codes(1))[0]
    return [(1, code, {"strength_percent": 1.35})]


def _code(here: Place) -> str:
    return next(c.blind_code for c in here.plan().cups if (c.flight, c.taster) == (1, "Ines"))


def _score(here: Place) -> Score:
    return Score(session="planned", flight=1, taster="Ines", attribute="overall", value=6,
                 blind_code=_code(here))  # fmt: skip


def _preview(here: Place) -> Any:
    return here.book.scores.preview_import(here.csv(), "planned")


BY_CALL: dict[str, Callable[[Place], Any]] = {
    # water
    "water.strength_by_conductivity.conductivity_25c_us_cm": value(250.0),
    "water.strength_by_conductivity.concentrate_ml": value(10.0),
    "water.strength_by_conductivity.diluted_to_ml": value(100.0),
    "water.strength_by_titration.reading_mg_l_caco3": value(100.0),
    "water.strength_by_titration.step_mg_l_caco3": value(5.0),
    "water.strength_by_titration.concentrate_ml": value(10.0),
    "water.strength_by_titration.diluted_to_ml": value(100.0),
    "water.log_k.reaction": value("calcite"),
    "water.equilibrate.totals": lambda _: water.Totals.of_ions(at.mixing().reached.vector),
    "water.bottle_saturation.ions_mmol_l": lambda _: at.bottles()[0].vector,
    "water.clouding.ions_mmol_l": lambda _: at.bottles()[0].vector,
    "water.DayReading.conductivity_25c_us_cm": value(150.0),
    "water.water_of_day.reading": value(water.DayReading(conductivity_25c_us_cm=150.0)),
    "water.Mixing.step_percent.dose": lambda _: at.mixing().doses[0],
    "water.WaterTable.of_waters.waters": lambda _: [at.tap().water],
    "water.Water.of_ions.ions_mmol_l": value({"Ca": 1.0, "Cl": 2.0}),
    "water.Water.of_vector.vector": lambda _: at.tap().water.vector,
    "water.amount.name": value("mg_share"),
    "water.share_text.name": value("sulfate_share"),
    "water.read_salt_shares.name": value("sulfate_share"),
    "water.read_salt_shares.text": value("0, 0.5, 1"),
    "water.read_number.text": value("2.5"),
    "water.read_numbers.text": value("1, 2, 3"),
    "water.read_levels.text": value("40, 80"),
    "water.read_shares.text": value("0, 0.5"),
    "water.read_label.text": value("Ca 20 mg/L, HCO3 61 mg/L"),
    "water.molar_mass.formula": value("MgCl2·6H2O"),
    "water.salt.text": value("MgCl2·6H2O"),
    "water.salt_by_formula.formula": value("Mg(C3H5O3)2·2H2O"),
    "water.salt_by_formula.name": value("magnesium lactate dihydrate"),
    "water.alkalinity_in.unit": value("mmol/L"),
    "water.alkalinity_in.alkalinity_mg_l_caco3": value(40.0),
    "water.hardness_from.unit": value("mmol/L"),
    "water.hardness_in.unit": value("mmol/L"),
    "water.describe.water": value((0.5, 80.0, 40.0)),
    "water.find_water.water": value(WATERS[1]),
    "water.find_water.among": value(WATERS),
    "water.water_order.water": value(WATERS[1]),
    "water.levels_of.water": value(WATERS[1]),
    "water.mix_batch.waters": value({"A": (WATERS[0], 1.0), "B": (WATERS[2], 1.0)}),
    "water.thinned_for.start": lambda _: water.StartWater(name="tap", base=at.tap().water),
    "water.within_reach.sources": lambda _: at.bottles(),
    "water.blend.parts": lambda _: [(at.tap().water, 0.5), (water.PURE_WATER, 0.5)],
    "water.drops_of.quantity": value("hardness"),
    "water.DropCount.quantity": value("hardness"),
    "water.check_jug.checks": lambda _: [water.MeterReading(shown=150.0)],
    "water.read_analysis.entries": value({"Ca": (20.0, "mg/L"), "HCO3": (61.0, "mg/L")}),
    "water.read_analysis.fill_gap": value(True),
    "water.differences.tasted": lambda _: at.mixing().reached,
    "water.differences.made": lambda _: at.tap().water,
    "water.largest_base_share.base": lambda _: at.tap().water,
    "water.SharedBottle.parts": lambda _: at.bottles()[:2],
    "water.Salt.label": value("NaCl"),
    "water.Salt.ions": value((("Na", 1), ("Cl", 1))),
    "water.Concentrate.strength_g_l": value(2.0),
    "water.Concentrate.from_weighing.weighed_g": value(2.0),
    "water.MeasuredStrength.strength_mg_l_caco3_per_ml": value(1.0),
    "water.MeasuredStrength.method": value("conductivity"),
    "water.Concentrate.with_measured.measured": lambda _: water.MeasuredStrength(
        strength_mg_l_caco3_per_ml=1.0, method="conductivity", uncertainty_percent=2.0),
    # tasting
    "tasting.match_codes.plan": lambda here: here.plan("alone"),
    "tasting.match_codes.found": lambda here: _found(here),
    "tasting.title_of.asked": value(OVERALL),
    "tasting.pair_waters.method": value("paired preference"),
    "tasting.right_place.method": value("triangle"),
    "tasting.right_place.waters": value((WATERS[0], WATERS[0], WATERS[1])),
    "tasting.incomplete_blocks.sizes": value((3, 3, 3, 3, 3)),
    "tasting.even_orders.sets": value([[0, 1, 2, 3]] * 4),
    "tasting.plan_notes.design": lambda here: here.plan().design,
    "tasting.plan_notes.serving": value("shared bowls"),
    "tasting.compare_conditions.earlier": lambda here: here.book.sessions.session("first"),
    "tasting.compare_conditions.later": lambda here: here.book.sessions.session("other"),
    "tasting.detectable_difference.se": value(0.3),
    "tasting.detectable_difference.df": value(10.0),
    "tasting.detectable_difference.df_top": value(10.0),
    "tasting.detectable_difference.df_bottom": value(10.0),
    "tasting.extraction_yield.strength_percent": value(1.3),
    "tasting.extraction_yield.beverage_g": value(220.0),
    "tasting.extraction_yield.dose_g": value(15.0),
    "tasting.scale.name": value("liking 1-9"),
    "tasting.open_keys.keys": lambda here: here.plan().keys,
    "tasting.replan.served": value((1,)),
    "tasting.replan.passphrase": value(PASSPHRASE),
    "tasting.Scale.lowest": value(0), "tasting.Scale.highest": value(3),
    "tasting.Scale.step": value(1), "tasting.Scale.words": value(((0, "none"), (3, "strong"))),
    "tasting.Scale.check.value": value(5),
    "tasting.Quantity.check.value": value(1.3),
    "tasting.Factor.low": value(0.0), "tasting.Factor.high": value(1.0),
    "tasting.Factor.name": value("mg_share"),
    "tasting.Sweep.kind": lambda here: _sweep(here).kind,
    "tasting.Sweep.varied": lambda here: _sweep(here).varied,
    "tasting.Sweep.held": lambda here: _sweep(here).held,
    "tasting.listed_waters.cups": value(WATERS),
    "tasting.KeyRow.is_control": value(False),
    "tasting.KeyRow.water": value("W1"),
    "tasting.nearest_sweep.base": lambda _: at.tap().water,
    "tasting.SealedKey.open.passphrase": value(PASSPHRASE),
    "tasting.Scale.check.score": value(5),
    # book
    "book.open_copy.copy": lambda here: here.book.back_up(here.folder / "copy.db"),
    "book.import_folder.folder": lambda here: here.exported(),
    "book.take_as_it_is.where": lambda here: str((here.book.close(), here.path)[1]),
    "book.open_book.url": lambda here: str(here.folder / "new.db"),
    "book.on_chosen_scales.chosen": value({"overall": "liking 1-9"}),
    "book.read_table.path": lambda here: here.csv(),
    "book.name_key.name": value("Ines"),
    "book.take_reserved.session": value("planned"),
    "book.shortages.needed_ml": value({"calcium": 100.0}),
    "book.most_needed.flights": value((1, 2)),
    "book.most_needed.base": value(water.PURE_WATER),
    "book.LabBook.where": lambda here: str(here.folder / "new.db"),
    "book.back_up.copy": lambda here: here.folder / "copy.db",
    "book.Attribute.scale": value(_LIKING),
    "book.Score.value": value(6),
    "book.ensure_demo_book.data": lambda here: here.folder,
    "book.people.add_tasters.names": value(["Omar"]),
    "book.people.coffee.name": value("Ravendo"),
    **{f"book.people.{verb}_{kind}.name": value(name)
       for kind, name in (("client", "Nobody's"), ("coffee", "Untasted"), ("taster", "Mara"))
       for verb in ("remove", "rename", "merge")},
    **{f"book.people.rename_{kind}.to": value("another name")
       for kind in ("client", "coffee", "taster")},
    "book.people.merge_clients.name": value("Nobody's"),
    "book.people.merge_coffees.name": value("Untasted"),
    "book.people.merge_tasters.name": value("Mara"),
    "book.people.merge_clients.into": value(at.CLIENT),
    "book.people.merge_coffees.into": value("Ravendo"),
    "book.people.merge_tasters.into": value("Nils"),
    "book.sessions.session.name": value("planned"),
    "book.sessions.guest_of_link.secret": lambda here: here.book.sessions.issue_link(
        "planned", "Ines"),
    "book.sessions.lock_flights.session": value("begun"),
    "book.sessions.open_flights.session": value("locked"),
    "book.sessions.unlock_flight.session": value("locked"),
    "book.sessions.missing.session": value("begun"),
    "book.sessions.enter_found_codes.session": lambda here: (
        here.book.sessions.lock_flights("alone", [1]), "alone")[1],
    "book.sessions.enter_found_codes.codes": lambda here: _found(here),
    "book.sessions.open_flight_from_sheet.session": value("locked"),
    "book.sessions.open_flight_from_sheet.rows": lambda here: here.opened_flights("locked")[0].rows,
    "book.sessions.open_for_bench_sheets.session": value("planned"),
    "book.sessions.record_labels.paper": value("cups"),
    "book.sessions.choose_scale.scale": value("liking 1-9"),
    "book.sessions.codes_served.since": value(TODAY.replace(month=1)),
    "book.sessions.leave_out.tasters": value(("Ines",)),
    "book.sessions.leave_out.seen": lambda here: "",
    "book.sessions.start_session.attributes": value((OVERALL,)),
    "book.sessions.store_plan.plan": lambda here: _later_plan(here),
    "book.sessions.start_session.name": value("a new session"),
    "book.scores.current_scores.session": value("begun"),
    "book.scores.history.session": value("begun"),
    "book.scores.export_history.session": value("begun"),
    "book.scores.measure_cups.session": value("begun"),
    "book.scores.measured_cups.session": value("begun"),
    "book.scores.measure_cups.cups": _cups,
    "book.scores.import_scores.preview": _preview,
    "book.scores.record_score.value": value(6),
    "book.scores.record_score.blind_code": _code,
    "book.scores.record_scores.scores": lambda here: [_score(here)],
    "book.scores.record_each.scores": lambda here: [_score(here)],
    "book.scores.export_history.path": lambda here: str(here.folder / "history.csv"),
    "book.scores.export_scores.path": lambda here: str(here.folder / "scores.csv"),
    "book.scores.write_paper_table.path": lambda here: str(here.folder / "paper.csv"),
    "book.stock.add_base_water.analysis": value({"Ca": (20.0, "mg/L"), "HCO3": (61.0, "mg/L")}),
    "book.stock.add_base_water.fill_gap": value(True),
    "book.stock.add_bottle.salt": value("KHCO3"),
    "book.stock.add_bottle.weighed_g": value(2.0),
    "book.stock.answer_strength.name": lambda here: here.book.stock.measure_bottle(
        "calcium", method="conductivity", strength_g_l=1.9).name,
    "book.stock.answer_strength.counts": value("measured"),
    "book.stock.measure_bottle.name": value("calcium"),
    "book.stock.measure_bottle.method": value("conductivity"),
    "book.stock.measure_bottle.strength_g_l": value(1.5),
    "book.stock.bottle.name": value("calcium"),
    "book.stock.empty_bottle.name": value("calcium"),
    "book.stock.base_water.name": value("tap"),
    "book.stock.set_bicarbonate_keeps_days.days": value(14),
    "book.stock.reserve.reserved": value({}),
    "book.stock.start_water.held": lambda _: book.Held(base_water="tap"),
    "book.stock.use_bottles.doses": value({"calcium": 10.0}),
    "book.readings.keep.contents": value({(at.CLIENT, "Ravendo"): b"something"}),
    "book.readings.keep.marks": value({(at.CLIENT, "Ravendo"): "mark"}),
    "book.readings.keep.kind": value("a kind"), "book.readings.take.kind": value("a kind"),
    "book.readings.take.marks": value({(at.CLIENT, "Ravendo"): "mark"}),
    # analysis
    "analysis.most_used.column": value("scale"),
    "analysis.difference_test.method": value("triangle"),
    "analysis.similarity_test.method": value("triangle"),
    "analysis.answers_needed.method": value("triangle"),
    "analysis.foresee.method": value("triangle"), "analysis.foresee.tasters": value(4),
    "analysis.compare_tests.tasters": value(4),
    "analysis.minimum_correct.method": value("triangle"),
    "analysis.paired_preference.first": value(9), "analysis.paired_preference.second": value(3),
    "analysis.paired_preference.rule": value("left out"),
    "analysis.answers_needed.dprime": value(1.0),
    "analysis.balance_acidity.frame": lambda here: here.frame_of_acidity(),
    "analysis.check_all_that_apply.answers": lambda here: here.frame_of_ticks(),
    "analysis.just_about_right.answers": lambda here: here.frame_of_right(),
    "analysis.rank_test.ranks": lambda here: here.frame_of_ranks(),
    "analysis.Excluded.ranges": value({"mg_share": (0.0, 0.2)}),
    "analysis.Excluded.holds.waters": value(np.array([[0.5, 80.0, 40.0]])),
    "analysis.SimulatedPanel.draw.names": value(TASTERS),
    "analysis.SimulatedPanel.draw.surface": value(
        analysis.PlantedPeak(best=(0.5, 80.0, 40.0))),
    "workflow.acidity_of.coffee": value("Sharp"),
    "workflow.asked_for_acidity.coffees": value([(at.CLIENT, "Sharp")]),
    "analysis.kendall_w.table": lambda _: np.arange(12.0).reshape(4, 3),
    "analysis.intraclass_correlations.table": lambda _: np.arange(12.0).reshape(4, 3) ** 1.1,
    "analysis.read_coffee.frame": lambda here: here.frame,
    "analysis.water_target.water": lambda _: np.array([0.5, 80.0, 40.0]),
    "analysis.read_words.frame": lambda here: here.words,
    "analysis.right_questions.frame": lambda here: here.frame,
    "analysis.head_start.coffee": value((at.CLIENT, "Another")),
    "analysis.confirming_test.gain": value(0.5),
    "analysis.rising_scale.name": value("liking 1-9"),
    "analysis.WaterMap.at.water": value(WATERS[1]),
    "analysis.WaterMap.place.water": value(WATERS[1]),
    "analysis.suggest_flight.frame": lambda here: here.frame,
    "analysis.suggest_flight.k": value(3),
    "analysis.stop_or_taste.frame": at.belief,
    "analysis.Region.locked": value({"alkalinity_mg_l_caco3": 30.0}),
    "analysis.chance_to_confirm.recommended": lambda here: at.reading(here).recommended,
    "analysis.PlantedPeak.best": value((0.5, 80.0, 40.0)),
    "analysis.plan_curves.n_coffees": value(2), "analysis.plan_curves.n_flights": value(2),
    # workflow
    "workflow.words_of.sayings": lambda _: analysis.trade_sayings(),
    "workflow.one_water.coffees": lambda here: _across(here).readings,
    "workflow.make_card.water": value(WATERS[1]),
    "workflow.mark_mixed.session": value("planned"),
    "workflow.lock_and_open.session": value("begun"),
    "workflow.lock_flights.session": value("begun"),
    "workflow.open_flights.session": value("locked"),
    "workflow.record_measurements.session": value("begun"),
    "workflow.record_measurements.measured": lambda here: here.measured(),
    "workflow.measurement_table.session": value("begun"),
    "workflow.attributes_of.asked": value({"overall": "liking 1-9"}),
    "workflow.next_flight.cups": value(3),
    "workflow.plan_pair_test.first": value(WATERS[1]),
    "workflow.plan_pair_test.second": value(WATERS[3]),
    "workflow.prepare_flights.preparer": value("Ines"),
    "workflow.panel_noise.coffee": value((at.CLIENT, "Ravendo")),
    "workflow.panel_noise.brew_method": value("cupping"),
    "workflow.replan.absent": value(("Ines",)),
    "workflow.replan.session": value("planned"),
    "workflow.replan.passphrase": value(PASSPHRASE),
    "workflow.record_scores.scores": lambda here: here.to_score(),
    "workflow.make_recipes.concentrates": lambda _: at.bottles(),
    "workflow.record_doses.session": value("planned"),
    "workflow.record_doses.flight": value(1),
    # bench
    "bench.batch_sheet.batch": lambda _: water.mix_batch({"A": (WATERS[0], 1.0)}, at.bottles()),
    "bench.weighing_sheet.weighings": lambda _: [
        water.plan_weighing(salt=water.salt("KHCO3"), volume_ml=1000)],
    "bench.score_sheets.attributes": value((OVERALL,)),
    "bench.card_files.recipes": lambda here: [_recipe(here)],
    "bench.bottle_labels.bottles": lambda here: here.book.stock.bottles(),
    "bench.sweep_doses.sweep": _sweep,
    "bench.plot_attributes.readings": lambda here: [at.reading(here)],
    "bench.LabelPaper.label_width_mm": value(40.0), "bench.LabelPaper.label_height_mm": value(20.0),
    "bench.LabelPaper.pitch_x_mm": value(42.0), "bench.LabelPaper.pitch_y_mm": value(22.0),
    "bench.LabelPaper.left_mm": value(5.0), "bench.LabelPaper.top_mm": value(5.0),
    "bench.LabelPaper.centred.label_width_mm": value(40.0),
    "bench.LabelPaper.centred.label_height_mm": value(20.0),
    "bench.across_picture.across": _across, "bench.plot_across.across": _across,
    "bench.losses_picture.one": _tank, "bench.plot_losses.one": _tank,
    "bench.balance_picture.found": _acidity, "bench.plot_balance.found": _acidity,
    "bench.plot_words.found": _linked, "bench.words_picture.found": _linked,
    "bench.next_picture.suggestion": _suggested, "bench.plot_next.suggestion": _suggested,
    "bench.reading_pictures.found": at.reading,
    "bench.plan_picture.curves": _curves, "bench.plot_plan.curves": _curves,
    "bench.plot_surface.reading": at.reading_of_two,
}  # fmt: skip


def _found(here: Place) -> dict[int, str]:
    codes = [code for flight, code in here.plan("alone").under_cups if flight == 1]
    return {place + 1: code for place, code in enumerate(codes)}


def _later_plan(here: Place) -> Any:
    return tasting.replan(here.plan(), served=(1,), absent=("Liv",), passphrase=PASSPHRASE)
