"""Message catalogues: complete, compiled, and read as what they are."""

from __future__ import annotations

import gettext
import io
import re
import string

import pytest

from labkit.book import Attribute
from labkit.language import CATALOGUES, DOMAIN, ENGLISH, LANGUAGES, preferred
from labkit.tasting import METHODS, SCALES, Scale, title_of, words_of
from labkit.widgets.sheet.taster_sheet import messages_of_scripts
from labkit.widgets.steps.plan.asked import WORDS
from labkit.workflow import USUAL_SHEET
from tests import catalogues

GERMAN = LANGUAGES["de"]


def forms(message):
    """A message as a pair: what it says in English, what in the other language."""
    ids = message.id if isinstance(message.id, tuple) else (message.id,)
    strings = message.string if isinstance(message.string, tuple) else (message.string,)
    return ids, strings


def placeholders(text):
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def test_there_is_a_complete_second_language():
    assert catalogues.languages() == ["de"]
    assert set(LANGUAGES) == {"en", "de"}
    assert [language.name for language in LANGUAGES.values()] == ["English", "Deutsch"]


@pytest.mark.parametrize("code", catalogues.languages())
def test_every_message_in_the_source_is_in_the_catalogue_and_no_other(code):
    """Mended by ``python -m tests.catalogues`` and a translator."""
    kept = {message.id for message in catalogues.read(code) if message.id}

    assert kept == {message.id for message in catalogues.source_messages() if message.id}


@pytest.mark.parametrize("code", catalogues.languages())
def test_every_message_is_translated_with_the_same_placeholders(code):
    catalogue = catalogues.read(code)

    assert catalogues.untranslated(catalogue) == []
    for message in catalogue:
        if message.id:
            ids, strings = forms(message)
            for text in strings:
                assert placeholders(text) == placeholders(ids[-1]), message.id
                assert text.strip() == text, message.id


@pytest.mark.parametrize("code", catalogues.languages())
def test_what_is_compiled_is_what_is_written(code):
    kept = gettext.translation(DOMAIN, CATALOGUES, [code])
    made = gettext.GNUTranslations(io.BytesIO(catalogues.compiled(catalogues.read(code))))

    for message in catalogues.read(code):
        if not message.id:
            continue
        ids, _ = forms(message)
        if len(ids) == 1:
            assert kept.gettext(ids[0]) == made.gettext(ids[0])
        for number in (0, 1, 2, 5) if len(ids) == 2 else ():
            assert kept.ngettext(*ids, number) == made.ngettext(*ids, number)


def test_the_sheet_hands_over_every_message_of_its_scripts():
    """By a pattern of our own when a page opens, by Babel's reader of JavaScript here."""
    told = {
        message.id
        for message in catalogues.source_messages()
        if any(file.endswith(".js") for file, _line in message.locations)
    }

    assert len(told) > 50
    assert set(messages_of_scripts()) == told


def test_no_script_says_a_message_that_is_not_marked():
    """Words between quotes or angle brackets that no reader of messages would find."""
    folder = catalogues.PROJECT / "labkit/widgets/sheet/static"
    for file in ("controls.js", "keys.js", "sheet.js"):
        source = re.sub(r"/\*.*?\*/|//[^\n]*", "", (folder / file).read_text(), flags=re.S)
        unmarked = re.sub(r'_\(\s*"(?:[^"\\]|\\.)*"', "", source)
        assert re.findall(r'"[A-Z][a-z]+ [a-z][^"]*"', unmarked) == []


@pytest.mark.parametrize(
    ("header", "code"),
    [
        ("", "en"),
        ("de", "de"),
        ("de-AT,de;q=0.9,en;q=0.5", "de"),
        ("en-GB,en;q=0.9,de;q=0.5", "en"),
        ("fr-FR,fr;q=0.9,de;q=0.8,en;q=0.7", "de"),
        ("fr", "en"),
        ("de;q=0", "en"),
        ("de;q=half, en", "en"),
        ("*", "en"),
        (",;q=,../../etc/passwd,\x00", "en"),
        ("de," * 10_000, "de"),
    ],
)
def test_a_browser_gets_the_language_it_would_rather_have(header, code):
    assert preferred(header).code == code


def test_numbers_are_written_as_in_the_language():
    assert [GERMAN.number(x) for x in (7, 7.5, 8.25, -3, 1234.5)] == [
        "7",
        "7,5",
        "8,25",
        "-3",
        "1234,5",
    ]
    assert ENGLISH.number(8.25) == "8.25"


def test_labkits_own_names_are_said_and_those_of_the_lead_stay_as_typed():
    liking = SCALES["liking 1-9"]

    assert title_of(Attribute(name="overall", scale=liking), GERMAN) == "Gesamturteil"
    assert title_of(Attribute(name="overall", scale=liking), ENGLISH) == "overall"
    assert title_of(Attribute(name="Overall!", scale=liking), GERMAN) == "Overall!"
    assert dict(words_of(liking, GERMAN))[5] == "weder noch"
    own = Scale(name="liking 1-9", lowest=1, highest=9, step=1, words=((9, "like extremely"),))
    assert words_of(own, GERMAN) == ((9, "like extremely"),)
    for name in (*USUAL_SHEET, WORDS):
        kind = {"kind": "descriptors", "choices": ("a", "b")} if name == WORDS else {}
        scale = None if name == WORDS else liking
        assert title_of(Attribute(name=name, scale=scale, **kind), GERMAN) != name


@pytest.mark.parametrize(
    ("about", "title"),
    [("acidity", "Welche Tasse hat mehr Säure?"), ("{x}", "Welche Tasse hat mehr {x}?")],
)
def test_a_question_keeps_what_the_lead_asks_about(about, title):
    method = METHODS["2-AFC"]

    assert title_of(Attribute(name=method.ask(about), scale=method.scale), GERMAN) == title


def test_every_question_of_two_waters_is_translated():
    for method in METHODS.values():
        asked = Attribute(name=method.ask("acidity"), scale=method.scale)
        assert title_of(asked, GERMAN) != title_of(asked, ENGLISH) == asked.name
    right = Attribute(name="acidity: just right?", scale=SCALES["just about right"])
    assert title_of(right, GERMAN) == "Säure: genau richtig?"
