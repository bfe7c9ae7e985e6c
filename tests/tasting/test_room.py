"""The room's door: names load when used, and no more than what is used."""

import subprocess
import sys
from typing import get_type_hints

import pytest

import labkit.tasting as room


@pytest.mark.parametrize("name", room.__all__)
def test_every_name_of_the_room_is_there(name):
    assert getattr(room, name) is not None


def test_an_unknown_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="make_coffee"):
        room.make_coffee  # noqa: B018


def test_scales_load_without_pandas_and_cryptography():
    """A taster's page waits for neither."""
    code = (
        "import sys; from labkit.tasting.scales import SCALES; "
        "assert not {'pandas', 'cryptography', 'scipy'} & set(sys.modules)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_what_tasters_receive_has_no_field_for_a_recipe():
    fields = set(get_type_hints(room.Serving)) | set(get_type_hints(room.CupPlan))

    assert fields == {
        "flight", "taster", "position", "blind_code",
        "session", "tasters", "serving", "cups", "keys", "design", "notes", "under_cups",
    }  # fmt: skip
