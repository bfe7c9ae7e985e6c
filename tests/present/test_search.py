"""What is said of the search: when to stop, why a cup is worth tasting, walk and head start."""

from __future__ import annotations

from dataclasses import replace

import pytest

from labkit.analysis import (
    Answer,
    Band,
    Changed,
    ConfirmingFlights,
    ConfirmingTest,
    Followed,
    HeadStart,
    Level,
    Outcome,
    Reason,
    ReasonKind,
    Silent,
    StopAdvice,
    StopKind,
    StopReason,
    Suggestion,
    WalkState,
    WalkStep,
    classical_walk,
)
from labkit.analysis.search.earlier_coffees import Lender
from labkit.present import remarks, say, to_html
from labkit.water import Target
from labkit.workflow import flight_cost

LEADER = Target(mg_share=0.5, hardness_mg_l_caco3=100, alkalinity_mg_l_caco3=30)
CONTROL = Target(mg_share=0.2, hardness_mg_l_caco3=60, alkalinity_mg_l_caco3=10)

COST = "After 4 flights (20 cups a taster), stopping now is expected to cost 0.12 points."


def advice(reason, chance=None, **more):
    made = StopAdvice(
        verdict=StopKind.TASTE_ON,
        reason=reason,
        leader=LEADER,
        expected_loss=0.123,
        next_flight_gain=0.045,
        chance_above_control=chance,
        gain_over_control=None,
        level=Level.OPEN,
        was_tasted=True,
        n_flights=4,
        cups_each=20,
        confirm=None,
    )
    return replace(made, **more)


@pytest.mark.parametrize(
    ("reason", "chance", "ending"),
    [
        (StopReason.GAIN, None, "; one more flight is expected to win back 0.04."),
        (StopReason.NO_CONTROL, None, ": too little to notice."),
        (StopReason.CONTROL_LEADS, None, "The control itself leads: keep it."),
        (StopReason.CONFIRMED, 0.99, "; the leader is confirmed: serve it."),
        (StopReason.NOT_CONFIRMED, 0.99, "keep the control."),
    ],
)
def test_every_reason_to_stop_or_go_on_has_its_sentence(reason, chance, ending):
    said = say(advice(reason, chance))

    assert said.startswith(COST[:-1])
    assert said.endswith(ending)


def test_where_the_chance_decides_it_leads_the_sentence():
    sure, likely, unlikely = (
        say(advice(reason, chance))
        for reason, chance in (
            (StopReason.SURE, 0.98),
            (StopReason.LIKELY, 0.9),
            (StopReason.UNLIKELY, 0.6),
        )
    )

    assert sure == f"The leader beats the control with a chance of 98 %. {COST}"
    assert likely == (
        "The leader beats the control with a chance of 90 %; from 97 % on it counts as settled. "
        f"Confirm it first. {COST}"
    )
    assert unlikely == (
        "The leader beats the control with a chance of 60 %: too little to call it better. " + COST
    )


def test_a_likely_leader_has_its_confirming_test_in_the_same_sentence_and_once():
    one = advice(StopReason.LIKELY, 0.9, confirm=confirming(), level=Level.LIKELY)

    assert say(one).index("90 %") < say(one).index("20 blind pairs (40 cups)")
    assert to_html(one).count("20 blind pairs") == 1
    assert to_html(advice(StopReason.SURE, 0.98, confirm=confirming())).count("20 blind") == 1


def test_a_likely_leader_is_confirmed_in_flights_first_and_the_chances_are_said():
    flights = ConfirmingFlights(
        leader=LEADER, control=CONTROL, cups_each=2, chances=(0.41, 0.555, 0.63)
    )
    one = advice(StopReason.LIKELY, 0.9, confirm=confirming(), in_flights=flights)

    assert (
        "Confirm it in the next flight: leader and control are both poured again, 2 cups of each. "
        "The chance that this settles it is 41 %, 56 % within two, 63 % within three; stop as soon "
        "as it does."
    ) in say(one)
    assert to_html(one).index("in the next flight") < to_html(one).index("20 blind pairs")


def test_what_a_cup_of_the_control_would_cost_is_said_and_that_a_flight_confirms():
    flight = Suggestion(
        cups=(),
        leader=LEADER,
        leader_expected=7.0,
        leader_low=6.5,
        leader_high=7.5,
        engine="test",
        second=None,
        notes=(),
        is_elsewhere=False,
    )

    assert "control" not in " ".join(remarks(flight))
    assert (
        "No cup of the control is among them: in the place of the last one it would make the "
        "flight worth 0.012 points less."
    ) in remarks(replace(flight, control_price=0.0123))
    assert any("would tell as much" in one for one in remarks(replace(flight, control_price=-1e-4)))
    assert any(
        "to settle which is better" in one for one in remarks(replace(flight, confirms=True))
    )


def test_a_flight_says_its_cups_jugs_and_minutes():
    """By hand: 12 minutes a flight and 2 a cup, common practice."""
    assert say(flight_cost(5, 4)) == (
        "One flight as the search places it: 5 cups side by side, 20 cups to taste by 4 tasters, "
        "5 jugs, about 22 minutes at the table."
    )


def test_where_no_water_matters_the_points_that_it_could_at_most_are_said():
    said = say(advice(StopReason.UNLIKELY, 0.6, level=Level.NO_WATER_MATTERS, most_to_gain=0.43))

    assert said == (
        "With a chance of 90 %, no water within what was tasted is better than the control by more "
        f"than 0.5 points. {COST}"
    )


@pytest.mark.parametrize(
    ("level", "title"),
    [
        (Level.SETTLED, "Stop: settled"),
        (Level.LIKELY, "Stop: likely"),
        (Level.OPEN, "Stop: open"),
        (Level.NO_WATER_MATTERS, "Stop: no water matters by more than 0.5 points"),
    ],
)
def test_a_stop_is_titled_by_how_sure_it_is(level, title):
    stop = advice(StopReason.SURE, 0.98, level=level, most_to_gain=0.43)

    assert f">{title}<" in to_html(replace(stop, verdict=StopKind.SETTLED))
    assert ">Taste on<" in to_html(stop)


def test_plain_means_stand_beside_the_models_lead_where_they_are_known():
    lead = advice(StopReason.SURE, 0.98, gain_over_control=(0.42, 0.1, 0.75))
    page = to_html(replace(lead, leader_mean=6.8, control_mean=6.3))

    assert "0.42 (0.10 to 0.75)" in page
    assert "0.50 (6.80 against 6.30)" in page
    assert "plain means" not in to_html(lead)


def test_few_cups_are_not_trusted():
    assert say(advice(StopReason.FEW_CUPS, cups_each=8)) == (
        "Stopping now is expected to cost 0.12 points, but 8 cups a taster are too few to rely on "
        "that: taste at least 12."
    )


def test_one_taster_alone_hears_of_the_own_noise_in_points():
    assert say(advice(StopReason.OWN_NOISE, repeat_sd=0.72)) == (
        COST[:-1] + ", but your own noise is larger than what is left: you repeat a score to "
        "within about 0.7 points (SD), and one more flight is expected to win back only 0.04. Take "
        "the leader, or let others taste with you."
    )


def test_a_chance_just_below_what_is_asked_for_is_not_rounded_up_to_it():
    said = say(advice(StopReason.LIKELY, 0.969))

    assert "with a chance of 96 %; from 97 % on it counts as settled" in said


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        (Outcome.CONFIRMED, "Confirmed in blind pairs: 7 of 8 answers"),
        (Outcome.NOT_CONFIRMED, "Not confirmed in blind pairs: only 7 of 8 answers"),
        (Outcome.NOT_SETTLED, "Not settled in blind pairs: 7 of 8 answers"),
    ],
)
def test_the_answer_of_a_confirming_test_stands_before_the_advice(outcome, said):
    answer = Answer(outcome=outcome, preferred=7, n=8, p_value=0.035, leader=LEADER)
    page = to_html(advice(StopReason.SURE, 0.98, answer=answer))

    assert say(answer).startswith(said)
    assert page.index(said) < page.index("After 4 flights (")


def confirming(**change):
    test = ConfirmingTest(
        leader=LEADER,
        control=CONTROL,
        chance_per_pair=0.75,
        n_pairs=20,
        fewest_preferred=15,
        served_as="cupping",
        chance=0.62,
        most_pairs=24,
    )
    return replace(test, **change)


def test_the_confirming_test_says_its_cups_its_rule_and_how_to_brew():
    assert say(confirming()) == (
        "Confirm with 20 blind pairs (40 cups), leader against control, by cupping, split among "
        "the tasters: the leader is confirmed if it is preferred at least 15 times (one-sided, as "
        "it was named before the test). The chance that this shows it is 62 %."
    )
    assert "brewed as served, as espresso" in say(confirming(served_as="espresso"))
    assert say(confirming(n_pairs=None, fewest_preferred=None, chance=0.31)) == (
        "A test of the two waters alone is out of reach: 24 pairs, as many as this panel drinks, "
        "would show it with a chance of 31 %."
    )


GROUND = (("hardness_mg_l_caco3", Band.LOWER), ("alkalinity_mg_l_caco3", Band.UPPER))


@pytest.mark.parametrize(
    ("reason", "said"),
    [
        (Reason(kind=ReasonKind.ASKED_FOR, number=1), "included at your request"),
        (
            Reason(kind=ReasonKind.AGAINST_LEADER, number=1, n_cups=1, is_again=True),
            "the control, side by side with the leader, tasted in 1 cup so far, and again in this "
            "flight",
        ),
        (
            Reason(kind=ReasonKind.NEW_LEADER, number=7.125, expected=7.125),
            "expected to be the best, at 7.12, and not tasted yet",
        ),
        (
            Reason(kind=ReasonKind.BETWEEN_THE_BEST, number=0.5),
            "between the two best so far, 50 % of the way from the best",
        ),
        (
            Reason(kind=ReasonKind.OPEN_GROUND, number=0.83, distance=0.83, bands=GROUND),
            "no water that is soft and alkaline was tasted yet (the nearest cup is 83 % of the "
            "usual range away)",
        ),
        (
            Reason(kind=ReasonKind.OPEN_GROUND, number=1, is_first=True, bands=GROUND),
            "no other cup of this flight is soft and alkaline",
        ),
        (
            Reason(
                kind=ReasonKind.NEXT_TO_LEADER,
                number=0.3,
                changed=(Changed(factor="hardness_mg_l_caco3", level=120, instead_of=110),),
            ),
            "next to the leader (hardness 120 mg/L instead of 110 mg/L), with a chance of 30 % to "
            "be better",
        ),
        (
            Reason(kind=ReasonKind.LEAST_SURE, number=2, low=5, high=7, distance=0.4),
            "its score could be anywhere from 5.00 to 7.00, 40 % of the usual range from the "
            "nearest cup",
        ),
        (
            Reason(
                kind=ReasonKind.REPEAT_OF_LEADER, number=3, n_cups=3, expected=7, low=6.5, high=7.5
            ),
            "repeat of the leader, tasted in 3 cups so far: expected 7.00, but it could be 6.50 to "
            "7.50",
        ),
        (
            Reason(
                kind=ReasonKind.REPEAT_OF_RIVAL, number=0.2, n_cups=1, is_again=True, behind=0.4
            ),
            "repeat of a rival, tasted in 1 cup so far, and again in this flight: 0.40 behind the "
            "leader, with a chance of 20 % to be better",
        ),
        (
            Reason(kind=ReasonKind.REPEAT_OF_RIVAL, number=0.2, is_again=True, behind=0.4),
            "repeat of a rival, new, and served twice in this flight: 0.40 behind the leader, with "
            "a chance of 20 % to be better",
        ),
    ],
)
def test_every_reason_for_a_cup_has_its_words(reason, said):
    assert say(reason) == said


def step(state, **change):
    return WalkStep(
        sweep=change.pop("sweep", None),
        kept=LEADER,
        dialled=("mg_share",),
        expected_loss=0.2,
        state=state,
        **change,
    )


def test_the_walk_says_what_was_kept_and_what_it_cannot_know():
    sweep = classical_walk(None, k=3).sweep
    found = (
        "On the Mg share dial, Mg share 0.50 is kept; it is expected to score 0.20 points below "
        "the best level of this dial"
    )

    assert say(classical_walk(None, k=3)) == "The walk begins with a ratio sweep of 3 levels."
    assert say(step(WalkState.AGAIN, sweep=sweep)) == (
        f"{found}, which is not settled: taste the same dial again."
    )
    assert say(step(WalkState.NEXT, sweep=sweep)) == (
        f"{found}. Next comes the ratio sweep, from there."
    )
    assert "never moved two coordinates at once" in say(step(WalkState.END))
    assert "Mg share 0.50 stays, not told" in say(step(WalkState.END, is_told=False))


def test_a_head_start_says_which_coffees_count_how_much_and_which_not():
    lenders = [Lender(client="Hillside", coffee=f"C{i}", cups=9, share=0.125) for i in range(8)]
    start = HeadStart(
        odds=None,
        like_any=0.4,
        moved=0.3,
        lenders=tuple(lenders),
        groups={"roast_level": 0.7},
        silent=(Silent(client="Hillside", coffee="filter only", error="Nobody scored it."),),
    )
    followed = Followed(head_start=start, alike=0.5)

    assert say(followed) == (
        "Earlier coffees shifted 30 % of the estimate of the best water; of that, "
        f"{', '.join(f'C{i} (Hillside) 12 %' for i in range(6))} and 2 more. Coffees of the same "
        "roast level count more: they are more alike, with a chance of 70 %. This coffee is "
        "like them with a chance of 50 % (60 % before its first cup)."
    )
    assert remarks(start) == ("filter only (Hillside) is not used: Nobody scored it.",)
