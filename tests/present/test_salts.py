"""What is said of comparisons of salts: a difference, which, how sure; not told otherwise."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from labkit.analysis import Reading, VerdictKind, read_coffee
from labkit.present import cautions_for, say, to_html
from labkit.water import Concentrate, Target, mix, salt
from tests.benchmarks.salt_alarms import read, tasted

WATER = "Mg share 0.50, hardness 80 mg/L, alkalinity 40 mg/L"


@pytest.fixture(scope="module")
def clear():
    return tasted(np.random.default_rng(3), effect=3.0, n_tasters=8)


def test_a_difference_is_said_with_the_best_its_leads_and_what_is_not_told(clear):
    found = read(clear)
    told = found.told_from

    said = say(found)

    assert said.startswith(f"It matters whether the salts are of chloride or sulfate ({WATER}; p ")
    assert ": all chloride is best, " in said
    for row in told.to_dict("records"):
        lead = f"{row['difference']:.1f} points ({row['lo']:.1f} to {row['hi']:.1f}) above "
        assert lead + {0.5: "50 % sulfate", 1.0: "all sulfate"}[row["other_level"]] in said
    near = replace(
        found,
        pairs=found.pairs.assign(p=found.pairs["p"].where(found.pairs["other_level"] != 0.5, 0.2)),
    )
    assert say(near).endswith(". It is not clearly above 50 % sulfate.")
    alike = replace(found, pairs=found.pairs.assign(p=0.2))
    assert say(alike).endswith(
        ": all chloride scored highest, but compared with all at once no other water here is "
        "clearly below it. More cups must show which is best."
    )
    once = say(replace(found, mixed_once=True))
    assert once.startswith(said)
    assert "a slip in a jug looks like its salts" in once


def test_no_difference_is_said_with_what_would_have_been_seen(clear):
    nothing = replace(
        read(clear),
        kind=VerdictKind.NOTHING,
        p_value=0.41,
        detectable_points=1.84,
        share="potassium_share",
    )

    assert say(nothing) == (
        f"No difference that this panel can see between sodium and potassium ({WATER}; p = 0.41). "
        "With these cups, a difference of 1.8 points between any two of them would have been seen "
        "with 80 % chance; none was seen. Smaller ones may be there."
    )
    assert say(replace(nothing, detectable_points=np.inf)).endswith(
        "These cups are too few to show one: taste with more tasters, or more flights."
    )
    assert "this taster" in say(replace(nothing, n_tasters=1))


def test_what_cannot_be_told_is_said_so():
    found = read(tasted(np.random.default_rng(2), n_tasters=1, flights=1))

    assert say(found) == (
        f"These cups cannot tell chloride and sulfate apart ({WATER}; 3 scores of 3 waters): taste "
        "them again."
    )
    assert "all chloride" in to_html(found)


def test_the_page_of_a_coffee_of_salts_alone_answers_with_them_once(clear):
    reading = read_coffee(clear)
    assert isinstance(reading, Reading)

    page = re.sub(r"<[^>]+>", " ", to_html(reading))

    assert say(reading).startswith(say(reading.salts[0]))
    assert "taste a ratio sweep or a dial for that" in page
    assert "Compared singly" not in page


def bottles(*labels):
    return [Concentrate.of_strength(salt=salt(one)) for one in labels]


ALL = bottles("CaCl2·2H2O", "MgCl2·6H2O", "CaSO4·2H2O", "MgSO4·7H2O", "NaHCO3", "KHCO3")


def cautions(hardness=80, **shares):
    target = Target(mg_share=0.5, hardness_mg_l_caco3=hardness, alkalinity_mg_l_caco3=40, **shares)
    return " ".join(cautions_for("mixing", [mix(target, ALL)]))


def test_waters_of_chosen_salts_carry_their_cautions_and_others_do_not():
    plain = mix(Target(mg_share=0.5, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40), ALL)
    usual = cautions_for("mixing", [plain])
    assert not [one for one in usual if "secondary level" in one or "kidney" in one]

    sulfate, potassium = cautions(sulfate_share=1), cautions(potassium_share=1)

    # US EPA secondary levels, 40 CFR 143.3, and the WHO's guidelines; from memory.
    assert "sulfate from about 250 mg/L (US EPA secondary level, 40 CFR 143.3" in sulfate
    # 80 mg/L as CaCO3 is 1.6 meq/L, as sulfate 48.03 mg each: 77 mg/L.
    assert "here at most 77" in sulfate
    assert "Gypsum (calcium sulfate) dissolves little and slowly" in sulfate
    assert "kidney" not in sulfate
    assert "kidney disease" in potassium
    assert "medicines that keep potassium in the body" in potassium
    assert "Gypsum" not in cautions(sulfate_share=0)
    assert "steel" in cautions(sulfate_share=0)
    assert "loosens the bowels" not in sulfate
    assert "loosens the bowels" in cautions(hardness=300, sulfate_share=1)
