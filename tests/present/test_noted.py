"""Each thing to know of a reading has its sentence."""

from __future__ import annotations

import pytest

from labkit.analysis import Note
from labkit.noted import noted
from labkit.present import say
from labkit.tasting import SCALES, NoiseFrom, PlanNote

HARDNESS, SHARE = "hardness_mg_l_caco3", "mg_share"
SENTENCES = (
    (
        noted(Note.OTHERS_APART, column="brew_method", chosen="filter", n=8, others=(("", 3),)),
        "Only the 8 scores of brew method 'filter' are read here; not pooled with no name (3). "
        "Choose another brew method to read those separately.",
    ),
    (noted(Note.NO_SCORE, n=5), "5 cups without a score are left out."),
    (
        noted(Note.NO_NAME, n=3, blank=(("taster", 1), ("jug", 2))),
        "3 scores are left out because a name in the row is blank: taster (1), jug (2).",
    ),
    (
        noted(Note.NO_NUMBER, n=2),
        "2 scores are left out because the score or its water is not a number.",
    ),
    (
        noted(Note.NO_WATER, n=1),
        "1 score is left out because there is no such water (Mg share 0 to 1, hardness 0 to 2000 "
        "mg/L, alkalinity 0 to 2000 mg/L).",
    ),
    (
        noted(Note.OFF_SCALE, n=2, scale=SCALES["liking 1-9"], worst=(0.5, 77.0)),
        "2 scores are left out for being off the scale 'liking 1-9', 1 to 9: 0.5, 77.",
    ),
    (
        noted(Note.OFF_SCALE, n=1, scale=None, worst=(1e9,)),
        "1 score is left out for being off the scale: 1e+09.",
    ),
    (
        noted(Note.BETWEEN_STEPS, n=1, scale="liking 1-9"),
        "1 score between two steps of the scale 'liking 1-9' is read as given.",
    ),
    (noted(Note.BY_CHOICE, names=("B", "{C}")), "Left out by your choice: B, {C}."),
    (
        noted(Note.GIVEN_TWICE, n=4),
        "4 scores were given twice for the same cup; the last one counts.",
    ),
    (
        noted(Note.STAGES_AVERAGED, stages=("cool", "hot")),
        "Scores of a cup as it cooled (cool, hot) are averaged: they are one cup, not several.",
    ),
    (
        noted(Note.HELD, name=HARDNESS, level=80.0),
        "Every cup had hardness 80 mg/L: these scores say nothing about other levels of hardness.",
    ),
    (
        noted(Note.BETWEEN_FLIGHTS, name=HARDNESS),
        "Hardness changed only between flights, which differ for other reasons too: serve a "
        "control in each to tell the two apart.",
    ),
    (
        noted(Note.TOGETHER, name=HARDNESS),
        "Hardness moved together with another coordinate: its own effect cannot be told from "
        "these cups.",
    ),
    (
        noted(Note.TWO_LEVELS, name=HARDNESS),
        "Whether hardness has a best level in between cannot be told: only two levels were tasted.",
    ),
    (
        noted(Note.FEW_WATERS, name=HARDNESS),
        "Whether hardness has a best level in between cannot be told: there are too few waters.",
    ),
    (
        noted(Note.NO_INTERACTION, name=SHARE, other=HARDNESS),
        "Whether the best Mg share moves with hardness cannot be told: too few waters varied both.",
    ),
    (
        noted(Note.MIXED_ONCE),
        "Each water was mixed and brewed once: a slip in one jug looks like an effect of its "
        "water, and the two cannot be separated. A duplicate mixed and brewed separately would "
        "tell.",
    ),
    (
        noted(Note.SALTS_APART, n=12),
        "12 scores are from flights that compare salts and are read separately, as the curve "
        "knows waters by Ca:Mg, hardness and alkalinity alone.",
    ),
    (
        noted(Note.NOT_LINKED),
        "Some flights or days share no water with the rest, so their levels cannot be compared: "
        "only differences within them count. Serve the same control in each.",
    ),
    (
        noted(Note.ONE_TASTER, taster="Ana"),
        "Only Ana scored: this is one taster's answer, not a panel's.",
    ),
    (noted(Note.NOT_GUESTS, n=4), "4 tasters speak for tasters like them, not for guests."),
    (
        noted(Note.NOBODY_TWICE),
        "Nobody tasted a water twice: a taster's own taste and slips of the day cannot be "
        "separated.",
    ),
    (noted(Note.NO_CURVE, why="Taste more."), "No curve could be fitted: Taste more."),
    (
        noted(Note.FLIGHT_LEVELS, n=3),
        "Each of the 3 flights has a level of its own; waters are compared within flights and "
        "through waters served in several.",
    ),
    (
        noted(Note.SESSION_LEVELS, n=2),
        "Each of the 2 sessions has a level of its own; days are linked through waters served on "
        "both, such as the control.",
    ),
    (
        noted(Note.SESSIONS_BY_CHANCE, n=6),
        "The 6 sessions are taken to differ by chance, as days do.",
    ),
    (
        noted(Note.NOT_APART, component="taster:flight", n=800),
        "With so many scores, the spread in a taster's level from flight to flight is not "
        "estimated apart (800 effects would take long): it counts as noise.",
    ),
    (
        noted(Note.NO_SPREAD, component="taster:mg_share"),
        "No spread in how tasters answer Mg share was seen beside the noise; the intervals allow "
        "for some.",
    ),
    (
        noted(Note.NOT_SEEN, component="taster"),
        "No spread in tasters' levels was seen beside the noise; the simpler model without it is "
        "used.",
    ),
    (
        noted(Note.NOT_ESTIMATED, component="bowl"),
        "No spread in bowls of the same water could be estimated; the simpler model without it is "
        "used.",
    ),
)


OF_A_PLAN = (
    (
        noted(PlanNote.CONTROL, cups=0),
        "Hidden control: the same water in every flight links flights and days; costs each taster "
        "no cup.",
    ),
    (
        noted(PlanNote.NO_CONTROL),
        "No hidden control: flights and days can be compared only by their waters.",
    ),
    (
        noted(PlanNote.DUPLICATE, cups=1),
        "Hidden duplicate: a water mixed and brewed separately shows how well cups repeat; costs "
        "each taster 1 cup.",
    ),
    (
        noted(PlanNote.NO_DUPLICATE),
        "No hidden duplicate: nothing will tell how well a cup repeats.",
    ),
    (
        noted(PlanNote.MIXED_ONCE, serving="a cup each"),
        "Each water comes from one jug but for control and duplicate: a slip in mixing or brewing "
        "looks like its water, and this plan cannot tell them apart.",
    ),
    (
        noted(PlanNote.NEVER_MEET),
        "Some waters never meet, not even through others: they cannot be compared within flights. "
        "Add a control, repeats or flights.",
    ),
    (
        noted(PlanNote.IN_PART, design="balanced blocks", efficiency=0.8333),
        "Not every water is in every flight (balanced blocks): differences between waters keep "
        "83 % of what full flights would tell.",
    ),
    (
        noted(PlanNote.ALONE),
        "Alone: stick the codes under identical cups, have them shuffled until you have lost "
        "track, and score by place. Positions are then balanced by chance only.",
    ),
    (
        noted(PlanNote.KEEP_SHEET),
        "Print the bench sheet and keep it from the tasters: it is the only way back if the "
        "passphrase is lost.",
    ),
    (
        noted(PlanNote.CODES_RETURN, n=2, of=6, day="2026-03-14", last="2026-03-02", rested=4),
        "2 of 6 codes were already served in the fortnight before 2026-03-14 (the oldest first, "
        "none later than 2026-03-02), because only 4 were rested.",
    ),
    (
        noted(PlanNote.PLANNED_ANEW, flight=2, absent=("Ada", "Bo"), late=()),
        "Planned again from flight 2, without Ada, Bo: positions are as even as the remaining "
        "orders allow.",
    ),
    (
        noted(PlanNote.SETS, method="triangle"),
        "triangle: ISO 4120 (from memory); a guess is right in 33 % of sets.",
    ),
    (
        noted(PlanNote.MIXED_AGAIN),
        "A jug of each water is mixed and brewed again for every trial: with one trial a slip in a "
        "jug looks like its water.",
    ),
    (
        noted(PlanNote.SETS_ALIKE),
        "Several sets a taster: one person's answers are alike, so counting each as another "
        "person's would claim too much.",
    ),
    (noted(PlanNote.AS_WRITTEN, text="Taste {slowly}."), "Taste {slowly}."),
)

OF_NOISE = (
    (noted(NoiseFrom.GIVEN), "as given"),
    (
        noted(NoiseFrom.PRACTISED),
        "default for practised tasters: repeats within 10 % of the scale (from memory, Lawless & "
        "Heymann 2010), own response 6 %, jug 2 % (assumed)",
    ),
    (
        noted(NoiseFrom.BOOK, n=24, coffee="A {B}", jug_assumed=True),
        "this lab book, 24 overall scores of A {B}, jug 2 % of the scale (assumed)",
    ),
)


def test_every_kind_of_note_is_tested():
    told = {one.kind for one, _ in (*SENTENCES, *OF_A_PLAN, *OF_NOISE)}
    assert told == {*Note, *PlanNote, *NoiseFrom}


@pytest.mark.parametrize(
    ("one", "sentence"),
    [*SENTENCES, *OF_A_PLAN, *OF_NOISE],
    ids=lambda one: getattr(one, "kind", ""),
)
def test_what_is_noted_is_said(one, sentence):
    assert say(one) == sentence


def test_nothing_is_noted_without_a_sentence():
    assert {one.kind for one, _ in SENTENCES} == set(Note)
