"""The API reference can be built, and no public name is missing from it."""

import pytest

from tests.api_reference import build, public_names


@pytest.mark.slow
def test_every_public_name_is_in_the_reference(tmp_path):
    build(tmp_path)

    absent = []
    for door, names in public_names().items():
        page = tmp_path.joinpath(*door.split(".")).with_suffix(".html").read_text(encoding="utf-8")
        absent += [f"{door}.{name}" for name in names if f'id="{name}"' not in page]
    assert absent == []
