"""What is said of one coffee: the verdict, its best water and what the cups do not tell."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from labkit.analysis import Level, Shape, Unread, WhyUnread
from labkit.analysis.reading.coffee import leaving_out, read_attributes, read_coffee
from labkit.analysis.reading.verdict import Enlarged, Lead, Verdict, VerdictKind
from labkit.present import best_of, in_words, say, to_html
from labkit.present.reading import how_read, in_short
from labkit.present.recommended import how_sure, not_told, source_of, whole_percent
from labkit.present.verdict import best_range, best_sentence, ranges_of, tasted_range
from labkit.water import Target
from tests.analysis.conftest import tasted

CONTROL = Target(mg_share=0.4, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=20)


def test_a_winner_is_named_with_its_lead_and_where_it_may_lie(ratio):
    said, worst = say(ratio), ratio.verdict.over_worst

    assert said.startswith(best_of(ratio))
    assert f"{worst.points:.1f} points ({worst.lo:.1f} to {worst.hi:.1f}) above the worst" in said
    assert said.endswith(f"The best could be anywhere in {ranges_of(ratio.best)}.")
    assert "(Ca:Mg " in said


def test_a_control_that_may_be_as_good_is_said_to_be(ratio):
    def said(lo, points, hi, *, chance=0.6, level=Level.OPEN):
        lead = Lead(over=CONTROL, points=points, lo=lo, hi=hi)
        one = replace(ratio.recommended, chance_above_control=chance, level=level)
        verdict = replace(ratio.verdict, over_control=lead)
        return say(replace(ratio, verdict=verdict, recommended=one))

    assert "the control may be as good (at most 0.9 points below)" in said(-0.2, 0.3, 0.9)
    assert "0.5 points (0.1 to 0.9) above the control" in said(0.1, 0.5, 0.9)
    assert "as good" not in said(0.1, 0.5, 0.9)
    likely = said(-0.2, 0.3, 0.9, chance=0.899, level=Level.LIKELY)
    assert "; better than the control with a chance of 89 %, by 0.3 points (-0.2 to 0.9)." in likely
    assert "as good" not in likely
    early = said(-0.2, 0.3, 0.9, chance=0.899, level=Level.OPEN)
    assert "more flights must show whether it beats the control" in early
    assert "as good" not in early


def nothing(reading, **change):
    verdict = Verdict(kind=VerdictKind.NOTHING, p_value=0.4, detectable_points=1.24, n_tasters=4)
    return say(replace(reading, verdict=replace(verdict, **change)))


def test_no_difference_says_what_would_have_been_seen(ratio):
    assert nothing(ratio) == (
        "No difference that this panel can see between these waters. With these cups, a difference "
        "of 1.2 points between any two of them would have been seen with 80 % chance; none was "
        "seen. Smaller ones may be there."
    )
    assert "that this taster can see" in nothing(ratio, n_tasters=1)


def test_cups_that_could_not_show_any_difference_say_what_would(ratio):
    none = {"detectable_points": np.inf, "span": 8.0}
    larger = Enlarged(more_tasters=1, points=4.1)

    assert nothing(ratio, **none, enlarged=larger) == (
        "No difference seen, but these cups are too few to show one, not even of the scale's whole "
        "8 points. With one more taster, about 4 points would show; further flights help too."
    )
    assert "serve each water more often" in nothing(ratio, **none)
    assert "Taste another flight of the same waters." in nothing(ratio, **none, n_tasters=1)


@pytest.mark.parametrize(
    ("unread", "said"),
    [
        (Unread(why=WhyUnread.NOT_OPEN), "No flight of this coffee has been scored and opened"),
        (Unread(why=WhyUnread.REFUSED, error="As raised."), "As raised."),
        (Unread(why=WhyUnread.MIDDLE_IS_BEST, share_right=0.2), "20 % of the answers are 'just r"),
        (
            Unread(why=WhyUnread.ONE_WATER, water=CONTROL, mean=6.5),
            "Only one water was scored (Mg share 0.40, hardness 80 mg/L, alkalinity 20 mg/L; mean "
            "6.50): nothing to compare it with.",
        ),
        (Unread(why=WhyUnread.ALL_ALIKE, mean=7.0), "All scores are identical (7), so"),
        (Unread(why=WhyUnread.EACH_ALIKE), "All scores of each taster are identical"),
        (Unread(why=WhyUnread.TOO_FEW, n_scores=3, n_waters=2), "3 scores for 2 waters are too"),
        (Unread(why=WhyUnread.NO_CURVE), "No curve could be fitted to these cups"),
        (Unread(why=WhyUnread.NOT_TESTED), "These cups cannot tell one water from another"),
    ],
)
def test_every_reason_why_nothing_is_told_has_its_sentence(unread, said):
    assert say(unread).startswith(said)


def best(reading, **change):
    return best_sentence(replace(reading.best, **change))


def test_the_best_water_says_how_far_it_can_be_trusted(ratio):
    one = ratio.best.factor_ranges[0]
    end = replace(one, best=0.6, tasted_lo=0.0, tasted_hi=0.6)
    untold = replace(one, factor="alkalinity_mg_l_caco3", is_told=False)
    ridge = replace(ratio.best.stationary, kind=Shape.RIDGE)

    assert "though no cup was tasted near it" in best(ratio, was_tasted_near=False)
    assert "none of the waters that can be made lies within" in best(ratio, is_makeable=False)
    assert "the end of the range tasted for Mg share (0.00 to 0.60), so better may lie beyond" in (
        best(ratio, factor_ranges=(end,))
    )
    assert "on a ridge: along it waters score alike" in best(ratio, stationary=ridge)
    said = best(ratio, factor_ranges=(one, untold), stationary=ridge)
    assert said.endswith("; these cups do not tell which alkalinity is best.")
    assert not re.search(r"alkalinity \d", said)
    target = ratio.best.target
    assert f"(Ca:Mg {target.ca_mg_ratio_text}; {target.ca_mg_text} mg/L as CaCO3)" in said
    hardness = replace(one, factor="hardness_mg_l_caco3", is_told=False)
    assert target.ca_mg_text not in best(ratio, factor_ranges=(one, hardness))  # as little told
    assert "ridge" not in said
    assert best(ratio, factor_ranges=(untold,)) == "These cups do not tell which water is best."


def test_ranges_carry_their_unit_and_one_value_is_said_once(ratio):
    one = replace(ratio.best.factor_ranges[0], lo=0.1, hi=0.4)
    hard = replace(one, factor="hardness_mg_l_caco3", lo=80, hi=80, tasted_lo=40, tasted_hi=120)

    assert best_range(one) == "Mg share from 0.10 to 0.40"
    assert best_range(hard) == "hardness of 80 mg/L"
    assert tasted_range(hard) == "hardness (40 to 120 mg/L)"


def test_a_coordinate_that_is_not_told_says_where_it_is_kept_and_what_that_may_cost(ratio):
    share, hardness, _ = ratio.recommended.coordinates
    moot = replace(share, is_told=False, may_cost=0.25, level=0.4)
    stays = replace(ratio.recommended.held, mg_share=0.4)
    served = replace(ratio.recommended, coordinates=(moot, hardness), held=stays)

    assert not_told(served) == (
        "Mg share is not told; kept at 0.40, which may cost 0.2 points. Hardness is not told; "
        "kept at 80 mg/L, where all cups had it."
    )
    assert source_of(served).startswith("No change from the water held so far")


def test_a_coordinate_kept_is_not_called_the_highest_and_a_cost_of_nothing_is_less_than_a_digit(
    ratio,
):
    share, *others = ratio.recommended.coordinates
    moot = replace(share, is_told=False, may_cost=0.01, level=ratio.recommended.held.mg_share)
    told = [replace(one, is_told=True) for one in others]
    kept = replace(ratio.recommended, coordinates=(moot, *told))
    moved = replace(ratio.recommended, coordinates=(replace(moot, is_told=True), *told))
    aside = replace(moot, is_told=True, anywhere=True, level=0.1)
    anywhere = replace(ratio.recommended, coordinates=(aside, *told))

    assert "which may cost less than 0.1 points" in not_told(kept)
    assert source_of(kept).startswith("With what is not told kept, this water has the highest")
    assert source_of(moved).startswith("This water has the highest")
    assert source_of(anywhere).startswith("This water has the highest")
    before = f"{ratio.recommended.held.mg_share:.2f}"
    assert not_told(anywhere) == (
        f"Mg share: 0.10 is expected to score higher than {before}, but any level tasted may be "
        "the best."
    )


LED = {
    "chance_above_control": 0.869,
    "over_control": (0.32, -0.04, 0.66),
    "most_to_gain": 0.7,
    "plain_means": (6.5, 6.0),
}


@pytest.mark.parametrize(
    ("level", "said"),
    [
        (Level.OPEN, "Open: it is better than the control with a chance of 86 %, by 0.3 points "),
        (Level.LIKELY, "Likely: it is better than the control with a chance of 86 %, by 0.3 "),
        (Level.SETTLED, "Settled: it is better than the control with a chance of 86 %"),
        (Level.NO_WATER_MATTERS, "No water within what was tasted is better than the control by "),
    ],
)
def test_a_test_without_a_difference_does_not_contradict_the_chance_beside_it(ratio, level, said):
    other = replace(ratio.recommended.water, mg_share=0.2)
    one = replace(ratio.recommended, water=other, level=level, **LED)
    verdict = replace(ratio.verdict, kind=VerdictKind.NOTHING, detectable_points=1.2)
    text = say(replace(ratio, verdict=verdict, recommended=one))

    assert text.startswith("No difference that this panel can see")
    assert how_sure(one).startswith(said)
    assert text.endswith(how_sure(one))
    if level is not Level.NO_WATER_MATTERS:
        assert "(0.0 to 0.7); plain means 6.5 and 6.0" in how_sure(one)
        assert "Mg share 0.20 stands out" in text
    faint = replace(one, over_control=(0.01, -0.1, 0.1))
    if level is not Level.NO_WATER_MATTERS:
        assert say(replace(ratio, verdict=verdict, recommended=faint)).endswith("may be there.")


def test_a_recommended_water_that_was_never_poured_says_so(ratio):
    poured, not_yet = (
        source_of(replace(ratio.recommended, was_tasted=tasted)) for tasted in (True, False)
    )

    assert poured.endswith("the next flight is chosen by the same estimate.")
    assert not_yet == f"{poured} This very water has not been poured yet."


def test_the_plain_surface_is_heard_only_where_it_disagrees(ratio):
    second = replace(ratio.recommended.plain, is_same=False, disagrees=True, ours=0.97, theirs=0.96)
    served = replace(ratio.recommended, plain=second)

    assert "this one is 97 % sure of its own, the surface 96 %" in say(second)
    assert "neither is sure of its own (97 % and 96 %)" in say(replace(second, disagrees=False))
    assert "chooses the same recipe" in say(replace(second, is_same=True, disagrees=False))
    assert say(second) in how_read(replace(ratio, recommended=served))
    calm = replace(served, plain=replace(second, disagrees=False))
    assert not any("second-order" in one for one in how_read(replace(ratio, recommended=calm)))


def test_the_page_is_short_and_opens_with_the_verdict(ratio):
    page = to_html(ratio)

    assert page.startswith(f"<p><strong>{say(ratio)[:30]}")
    assert "These cups cannot tell:" in page
    assert ratio._repr_html_() == page
    assert len(page) < 2500


def test_only_the_verdict_says_whether_the_panel_sees_differences():
    """A flat coffee on which the panel's own test is below 5 % by chance."""
    reading = read_coffee(tasted(effect=0, flights=1, seed=15))

    assert reading.panel.variance.p_water < 0.05
    assert "sees differences" not in to_html(reading)


def test_attributes_are_said_one_a_line(ratio, flat):
    frame = tasted()
    side = read_attributes(frame)

    assert in_short(ratio).startswith("highest at Mg share ")
    assert in_short(flat).startswith("no difference seen; ")
    assert f"<li><b>overall</b>: {in_short(ratio)}</li>" in to_html(side)


def test_what_leaving_out_changes_is_said_in_a_line():
    rows = [in_words(row) for row in leaving_out(tasted(), ["B"]).to_dict("records")]

    assert rows[0].startswith("everyone (72 scores): best found; best Mg share ")
    assert rows[1].startswith("without B (54 scores): ")


def test_a_range_of_one_value_is_said_as_one_value():
    row = {"who": "all", "n_scores": 9, "verdict": VerdictKind.FOUND}
    row |= {f"{end}_hardness_mg_l_caco3": 160.0 for end in ("best", "lo", "hi")}
    row |= {"best_mg_share": 0.4, "lo_mg_share": 0.3, "hi_mg_share": 0.5}

    assert in_words(row) == (
        "all (9 scores): best found; best Mg share 0.40 (0.30 to 0.50), best hardness 160"
    )


def test_no_chance_is_stated_as_certain():
    assert [whole_percent(chance) for chance in (0.969, 0.99, 1.0)] == [
        "96 %",
        "99 %",
        "more than 99 %",
    ]
