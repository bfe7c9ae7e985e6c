"""The three questions find who answers, and a cell's last line shows itself."""

import subprocess
import sys

import pytest

from labkit.present import remarks, say, to_html
from labkit.water import Target, Water

AIM = Target(mg_share=0.25, hardness_mg_l_caco3=80, alkalinity_mg_l_caco3=40)


def test_the_last_line_of_a_cell_shows_itself_as_present_has_it():
    assert AIM._repr_html_() == to_html(AIM)
    assert "Wanted water" in to_html(AIM)


def test_a_result_shows_itself_where_nobody_imported_present():
    code = (
        "from labkit.water import Water; print(Water(calcium_mmol_l=1)._repr_html_())\n"
        "import sys; assert 'labkit.present.doses' in sys.modules\n"
        "assert not any(name.startswith('labkit.analysis') for name in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "hardness" in done.stdout


@pytest.mark.parametrize("question", [to_html, say, remarks])
def test_what_nobody_speaks_for_is_an_error_that_names_it(question):
    with pytest.raises(TypeError, match=rf"no {question.__name__} for complex"):
        question(1j)


def test_a_result_without_remarks_of_its_own_is_an_error_too():
    with pytest.raises(TypeError, match="no remarks for Water"):
        remarks(Water())
