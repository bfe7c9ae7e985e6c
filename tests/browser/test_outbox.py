"""The sheet's queue of scores in a real browser, without a kernel: order, numbers, bad content."""

from __future__ import annotations

import pytest

from labkit.widgets.sheet.taster_sheet import script

pytestmark = pytest.mark.browser

PLACE = {"flight": 1, "position": 1, "code": "417", "stage": "", "attribute": "acidity"}
PAGE = "<!doctype html><title>sheet</title><p>sheet"
OPEN = """
([place]) => {
  window.sent = [];
  window.place = place;
  window.open_ = (owner = 'o') =>
    (window.box = new Outbox(owner, (message) => window.sent.push(message), () => {}));
  window.at = (ms) => (Date.now = () => ms);
  window.answer = (answer) =>
    box.hear({ number: box.number, kept: [], refused: [], later: '', look: null, ...answer });
}
"""


@pytest.fixture
def page(new_page):
    """A page with the queue's script; localStorage needs an address."""
    page = new_page()
    page.route("http://sheet.test/**", lambda route: route.fulfill(body=PAGE))
    load(page)
    return page


def load(page):
    """Load the page, anew the second time."""
    page.goto("http://sheet.test/")
    page.add_script_tag(content=script("outbox.js"))
    page.evaluate(OPEN, [PLACE])


def test_the_score_given_last_is_last_though_the_clock_stepped_back_and_the_page_reloaded(page):
    page.evaluate("() => { at(1.8e12); open_(); box.score(place, 8); }")
    load(page)
    page.evaluate("() => { at(1.7e12); open_(); box.score(place, 2); box.score(place, 3); }")

    assert page.evaluate("box.pending().map(({ value }) => value)") == [8, 2, 3]
    assert page.evaluate("box.values()['1/1//acidity']") == 3


def test_numbers_go_on_after_all_is_sent(page):
    page.evaluate("() => { open_(); box.score(place, 8); }")
    first = page.evaluate("box.pending()[0].n")
    page.evaluate("() => answer({ kept: [{ id: box.pending()[0].id, at: '2026-11-21' }] })")
    load(page)
    page.evaluate("() => { open_(); box.score(place, 2); }")

    assert page.evaluate("box.pending()[0].n") > first


def test_scores_that_an_older_page_numbered_by_the_clock_stay_first(page):
    page.evaluate(
        """() => {
          const old = { ...place, id: 'a'.repeat(32), value: 8, at: 1.8e12 };
          localStorage.setItem('labkit/o/touch/001800000000000-x', JSON.stringify(old));
          open_();
          box.score(place, 2);
        }"""
    )

    assert page.evaluate("box.pending().map(({ value }) => value)") == [8, 2]


def test_scores_keep_their_order_when_the_browser_has_no_room_in_between(page):
    page.evaluate(
        """() => {
          open_();
          box.score(place, 1);
          const { setItem } = Storage.prototype;
          Storage.prototype.setItem = () => { throw new Error('full'); };
          box.score(place, 2);
          Storage.prototype.setItem = setItem;
          box.score(place, 3);
        }"""
    )

    assert page.evaluate("box.pending().map(({ value }) => value)") == [1, 2, 3]


def test_a_note_leaves_without_what_no_database_can_store(page):
    given = "te\\0a \\ud83d \\ud83c\\udf75\\n\\tgreen\\x07 e\\u0301 "
    page.evaluate(
        f"""() => {{
          open_();
          box.score({{ ...place, attribute: 'note' }}, "{given}");
          box.score({{ ...place, attribute: 'note' }}, " \\0 ");
        }}"""
    )

    assert page.evaluate("box.pending().map(({ value }) => value)") == [
        "tea \N{REPLACEMENT CHARACTER} 🍵\n\tgreen é",
        None,
    ]


def test_what_an_answer_does_not_speak_of_is_sent_again_at_once(page):
    page.evaluate(
        """() => {
          open_();
          for (const value of [1, 2, 3]) box.score(place, value);
          answer({});
          answer({ kept: [{ id: sent.at(-1).scores[0].id, at: '2026-11-21' }] });
        }"""
    )

    told = page.evaluate("sent.map(({ scores }) => scores.map(({ value }) => value))")
    assert told == [[1], [1, 2, 3], [2, 3]]


def test_a_damaged_score_holds_nothing_back(page):
    page.evaluate(
        """() => {
          for (const [i, text] of ['{"id": 5}', 'null', '[]', '{"id":'].entries())
            localStorage.setItem(`labkit/o/touch/00000000000000${i}-x`, text);
          open_();
          box.score(place, 2);
          answer({ kept: [{ id: box.pending()[0].id, at: '2026-11-21' }] });
        }"""
    )

    assert page.evaluate("box.pending()") == []
    assert page.evaluate("box.state()") == "saved"


def test_what_was_given_here_and_changed_elsewhere_is_told_once(page):
    page.evaluate(
        """() => {
          open_();
          box.score(place, 8);
          answer({ kept: [{ id: box.pending()[0].id, at: '2026-11-21' }] });
          answer({ look: { mark: 'a', values: { '1/1//acidity': 8, '1/2//acidity': 4 } } });
        }"""
    )
    assert page.evaluate("box.changes()") == []

    for value in (5, 6):
        page.evaluate(
            "(value) => answer({ look: { mark: `${value}`, values: { '1/1//acidity': value } } })",
            value,
        )
    (change,) = page.evaluate("box.changes()")
    assert (change["was"], change["value"], change["code"]) == (8, 6, "417")
    assert page.evaluate("box.values()['1/1//acidity']") == 6

    page.evaluate("() => box.dismiss()")
    load(page)
    page.evaluate("() => { open_(); box.learn({ mark: 'a', values: { '1/1//acidity': 6 } }); }")
    assert page.evaluate("box.changes()") == []
    page.evaluate("() => box.learn({ mark: 'b', values: {} })")
    assert [c["value"] for c in page.evaluate("box.changes()")] == [None]


def test_each_browser_has_a_name_of_its_own_and_says_its_time(page):
    page.evaluate("() => { at(1.7e12); open_(); box.score(place, 2); }")
    (name, now), *_ = page.evaluate("sent.map(({ device, now }) => [device, now])")
    load(page)
    page.evaluate("() => { open_('another'); box.score(place, 2); }")

    assert now == 1.7e12
    assert len(name) == 8
    assert {told["device"] for told in page.evaluate("sent")} == {name}
    assert "n" not in page.evaluate("sent.flatMap(({ scores }) => scores)")[0]
