"""Scores from files: looked through first, nothing overwritten silently, nothing half taken."""

from __future__ import annotations

import csv

import openpyxl
import pandas as pd
import pytest

from labkit.errors import BookError, ImportFileError
from tests.book.samples import SESSION, score_all, start_tasting


@pytest.fixture
def on_file(sqlite_book):
    """A lab book in a file with a planned session: reading files is the same on any database."""
    start_tasting(sqlite_book)
    return sqlite_book


@pytest.fixture
def codes(tasting):
    """Ada's codes in flight 1, in her order."""
    return [cup.blind_code for cup in tasting[0].sessions.served_cups(SESSION, 1, "Ada")]


@pytest.fixture
def codes_on_file(on_file):
    """Ada's codes in flight 1, in her order."""
    return [cup.blind_code for cup in on_file.sessions.served_cups(SESSION, 1, "Ada")]


def write(path, *lines, encoding="utf-8"):
    path.write_text("\n".join(lines) + "\n", encoding=encoding)
    return path


def verdicts(preview):
    return [row.verdict for row in preview.rows]


def test_a_tidy_file_is_looked_through_and_then_taken(tasting, codes, tmp_path):
    book, _ = tasting
    path = write(
        tmp_path / "paper.csv",
        "flight,taster,blind_code,attribute,score,words",
        f"1,Ada,{codes[0]},overall,7.25,",
        f"1,Ada,{codes[1]},words,,floral; nutty",
        f'1,Ada,{codes[1]},note,,"two lines\nof rain"',
    )
    preview = book.scores.preview_import(path, SESSION, entered_by="Dora")
    assert book.scores.history(SESSION) == ()
    assert str(preview) == (
        f"paper.csv for {SESSION}: 3 new, 0 correction, 0 already there, 0 refused"
    )

    assert book.scores.import_scores(preview) == 3
    entries = book.scores.history(SESSION)
    assert [entry.value for entry in entries] == [7.25, ("floral", "nutty"), "two lines\nof rain"]
    assert {(e.source, e.device, e.entered_by) for e in entries} == {("paper", "paper.csv", "Dora")}


def test_a_wide_file_leaves_empty_cells_missing(tasting, codes, tmp_path):
    book, _ = tasting
    path = write(
        tmp_path / "paper.csv",
        "flight,taster,blind_code,overall,acidity",
        f"1,Ada,{codes[0]},7,",
        f"1,Ada,{codes[1]},,9.5",
    )
    assert book.scores.import_scores(book.scores.preview_import(path, SESSION)) == 2
    got = {(e.blind_code, e.attribute): e.value for e in book.scores.history(SESSION)}
    assert got == {(codes[0], "overall"): 7, (codes[1], "acidity"): 9.5}


@pytest.mark.parametrize(
    ("row", "why"),
    [
        ("1,Ada,{0},overall", "half a row: 4 cells where the header has 5"),
        ("1,Ada,{0},overall,7,8", "too many cells: 6"),
        ("1,Ada,{0},overall,", "half a row: score is empty"),
        ("1,,{0},overall,7", "half a row: taster is empty"),
        ("1,Ada,,overall,7", "half a row: blind_code is empty"),
        ("1,Ada,{0},overall,11", "between 6 and 10"),
        ("1,Ada,{0},overall,7.3", "in steps of 0.25"),
        ("1,Ada,{0},overall,seven", "score must be a number, got 'seven'"),
        ("1.5,Ada,{0},overall,7", "flight must be a whole number"),
        ("9,Ada,{0},overall,7", "flight of session .* got 9"),
        ("1,Ada,999,overall,7", "code of Ada's cups"),
        ("1,Aida,{0},overall,7", "did you mean 'Ada'"),
        ("1,Ada,{0},sweetness,7", "unknown attribute 'sweetness'"),
        ("1,Ada,{0},words,burnt", "floral, nutty, papery"),
    ],
)
def test_a_bad_row_is_refused_by_line_and_reason(on_file, tmp_path, row, why):
    book = on_file
    codes = [cup.blind_code for cup in book.sessions.served_cups(SESSION, 1, "Ada")]
    path = write(
        tmp_path / "paper.csv",
        "flight,taster,blind_code,attribute,score",
        row.format(*codes),
        f"1,Ada,{codes[1]},overall,7",
    )
    preview = book.scores.preview_import(path, SESSION)
    assert verdicts(preview) == ["refused", "new"]
    (refused,) = preview.refused
    assert refused.line == 2
    pd.testing.assert_series_equal(
        preview.to_frame()["line"], pd.Series([2, 3], name="line"), check_dtype=False
    )
    with pytest.raises(ImportFileError, match=f"line 2: .*{why}"):
        book.scores.import_scores(preview)
    assert book.scores.history(SESSION) == ()
    assert book.scores.import_scores(preview, take="good rows") == 1
    assert [entry.value for entry in book.scores.history(SESSION)] == [7]


def test_a_double_line_is_refused(tasting, codes, tmp_path):
    book, _ = tasting
    path = write(
        tmp_path / "paper.csv",
        "flight,taster,blind_code,attribute,score",
        f"1,Ada,{codes[0]},overall,7",
        f"1,Ada,{codes[0]},overall,8",
    )
    preview = book.scores.preview_import(path, SESSION)
    assert [row.why for row in preview.refused] == [
        "duplicate: line 2 has a score for the same cup and attribute."
    ]


def test_an_import_over_scores_corrects_only_when_asked(tasting, codes, tmp_path):
    book, _ = tasting
    book.scores.record_score(SESSION, 1, "Ada", "overall", 7, blind_code=codes[0])
    book.scores.record_score(SESSION, 1, "Ada", "overall", 8, blind_code=codes[1])
    path = write(
        tmp_path / "paper.csv",
        "flight,taster,blind_code,attribute,score",
        f"1,Ada,{codes[0]},overall,7.5",
        f"1,Ada,{codes[1]},overall,8",
    )
    preview = book.scores.preview_import(path, SESSION)
    assert verdicts(preview) == ["refused", "already there"]
    assert "the lab book has 7.0 (sheet, " in preview.refused[0].why

    preview = book.scores.preview_import(path, SESSION, with_corrections=True)
    assert verdicts(preview) == ["correction", "already there"]
    assert book.scores.import_scores(preview) == 1
    assert [e.value for e in book.scores.history(SESSION) if e.blind_code == codes[0]] == [7, 7.5]


def test_taking_a_file_twice_takes_it_once(tasting, codes, tmp_path):
    book, _ = tasting
    path = write(
        tmp_path / "paper.csv",
        "flight,taster,blind_code,attribute,score",
        f"1,Ada,{codes[0]},overall,7",
    )
    preview = book.scores.preview_import(path, SESSION)
    assert book.scores.import_scores(preview) == 1
    assert book.scores.import_scores(preview) == 0
    assert verdicts(book.scores.preview_import(path, SESSION)) == ["already there"]
    assert len(book.scores.history(SESSION)) == 1


def test_a_book_that_changed_since_the_look_is_looked_at_again(tasting, codes, tmp_path):
    book, _ = tasting
    path = write(
        tmp_path / "paper.csv",
        "flight,taster,blind_code,attribute,score",
        f"1,Ada,{codes[0]},overall,7",
    )
    preview = book.scores.preview_import(path, SESSION)
    book.scores.record_score(SESSION, 1, "Ada", "overall", 9, blind_code=codes[0])
    with pytest.raises(ImportFileError, match=r"has changed since .* check it again"):
        book.scores.import_scores(preview)
    assert [entry.value for entry in book.scores.history(SESSION)] == [9]


def test_a_locked_flight_takes_no_import(tasting, codes, tmp_path):
    book, _ = tasting
    path = write(
        tmp_path / "paper.csv",
        "flight,taster,blind_code,attribute,score",
        f"1,Ada,{codes[0]},overall,7",
    )
    before = book.scores.preview_import(path, SESSION)
    book.sessions.lock_flights(SESSION, [1])
    assert "scores can no longer change" in book.scores.preview_import(path, SESSION).refused[0].why
    with pytest.raises(ImportFileError, match="has changed since"):
        book.scores.import_scores(before)
    assert book.scores.history(SESSION) == ()


@pytest.mark.parametrize(
    ("lines", "why"),
    [
        ([], "must have a header line"),
        (["flight,taster,blind_code,attribute", "1,Ada,111,overall"], "score is missing"),
        (["taster,attribute,score", "Ada,overall,7"], "flight, blind_code is missing"),
        (["flight,taster,blind_code,attribute,scores"], "got 'scores': did you mean 'score'"),
        (["flight,taster,blind_code,overal", "1,Ada,111,7"], "got 'overal': did you mean"),
        (["flight,taster,blind_code,acidity,Overall"], "got 'Overall': did you mean 'overall'"),
        (["flight,taster,blind_code,mood", "1,Ada,111,7"], "must have a column of scores"),
        (["flight,taster,blind_code,serving", "1,Ada,111,x"], "must have a column of scores"),
        (["flight,taster,flight,score,attribute"], "'flight' is there twice"),
        (["flight,taster,blind_code,attribute,score", '1,"Ada,111,overall,7'], "line 2 cannot be"),
    ],
)
def test_wrong_columns_are_one_sentence(on_file, tmp_path, lines, why):
    path = write(tmp_path / "paper.csv", *lines)
    with pytest.raises(ImportFileError, match=why):
        on_file.scores.preview_import(path, SESSION)


@pytest.mark.parametrize("content", ["Béla".encode("cp1252"), b"PK\x03\x04\0\0", b"\xff\xfea\0"])
def test_what_is_no_utf8_table_is_one_sentence(sqlite_book, tmp_path, content):
    start_tasting(sqlite_book)
    path = tmp_path / "paper.csv"
    path.write_bytes(content)
    with pytest.raises(ImportFileError, match=r"paper\.csv must be"):
        sqlite_book.scores.preview_import(path, SESSION)
    (tmp_path / "paper.xlsx").write_bytes(content)
    with pytest.raises(ImportFileError, match="cannot be read as a spreadsheet"):
        sqlite_book.scores.preview_import(tmp_path / "paper.xlsx", SESSION)


def test_a_missing_file_and_an_unknown_session_are_named(sqlite_book, tmp_path):
    start_tasting(sqlite_book)
    with pytest.raises(ImportFileError, match="there is no file"):
        sqlite_book.scores.preview_import(tmp_path / "nothing.csv", SESSION)
    path = write(tmp_path / "paper.csv", "flight,taster,blind_code,attribute,score")
    with pytest.raises(BookError, match="session must be in the lab book"):
        sqlite_book.scores.preview_import(path, "yesterday")


def test_a_european_spreadsheets_csv_is_read(sqlite_book, tmp_path):
    """Semicolons, decimal commas and a byte-order mark, as spreadsheets save them there."""
    start_tasting(sqlite_book)
    path = write(
        tmp_path / "paper.csv",
        "flight;taster;position;overall",
        "1;Béla;2;7,25",
        encoding="utf-8-sig",
    )
    assert sqlite_book.scores.import_scores(sqlite_book.scores.preview_import(path, SESSION)) == 1
    (entry,) = sqlite_book.scores.history(SESSION)
    assert (entry.taster, entry.position, entry.value) == ("Béla", 2, 7.25)


def test_a_spreadsheet_is_read(sqlite_book, tmp_path):
    start_tasting(sqlite_book)
    code = sqlite_book.sessions.served_cups(SESSION, 1, "Béla")[0].blind_code
    frame = pd.DataFrame(
        {
            "flight": [1.0, 1.0],
            "taster": ["Béla", "Béla"],
            "blind_code": [float(code), None],
            "overall": [7.25, 8],
        }
    )
    frame.to_excel(tmp_path / "paper.xlsx", index=False)
    preview = sqlite_book.scores.preview_import(tmp_path / "paper.xlsx", SESSION)
    assert [(row.line, row.verdict) for row in preview.rows] == [(2, "new"), (3, "refused")]
    assert sqlite_book.scores.import_scores(preview, take="good rows") == 1


@pytest.mark.parametrize("shape", ["tidy", "wide"])
def test_an_export_can_be_imported_into_an_empty_session(book, tmp_path, shape):
    start_tasting(book, stages=["hot", "cool"])
    for taster in book.sessions.session(SESSION).tasters:
        for cup in book.sessions.served_cups(SESSION, 1, taster):
            for stage in ("hot", "cool"):
                book.scores.record_score(
                    SESSION, 1, taster, "overall", 7.5, position=cup.position, stage=stage
                )
    book.scores.record_score(SESSION, 1, "Ada", "note", "=1+1; @x", position=1, stage="hot")
    book.scores.record_score(SESSION, 1, "Ada", "words", ["nutty"], position=1, stage="cool")
    path = book.scores.export_scores(tmp_path / "out.csv", shape=shape)
    preview = book.scores.preview_import(path, SESSION)
    assert verdicts(preview) == ["already there"] * len(book.scores.history(SESSION))


def test_an_export_of_an_empty_list_and_an_empty_note_comes_back(book, tmp_path):
    """A taster who checked no word said so: that is not the same as nothing said."""
    start_tasting(book)
    book.scores.record_score(SESSION, 1, "Ada", "words", [], position=1)
    book.scores.record_score(SESSION, 1, "Ada", "note", "", position=1)
    path = book.scores.export_scores(tmp_path / "out.csv")
    assert verdicts(book.scores.preview_import(path, SESSION)) == ["already there"] * 2

    for attribute in ("words", "note"):
        book.scores.record_score(SESSION, 1, "Ada", attribute, None, position=1)
    assert book.scores.import_scores(book.scores.preview_import(path, SESSION)) == 2
    assert {e.value for e in book.scores.current_scores(SESSION, 1, "Ada")} == {(), ""}


@pytest.mark.parametrize("shape", ["tidy", "wide"])
def test_a_column_of_remarks_is_named_and_left_out(on_file, codes_on_file, tmp_path, shape):
    path = write(
        tmp_path / "paper.csv",
        "flight,taster,blind_code,overall,remarks"
        if shape == "wide"
        else "flight,taster,blind_code,attribute,score,remarks",
        f"1,Ada,{codes_on_file[0]},{'' if shape == 'wide' else 'overall,'}7,spilt a little",
    )
    preview = on_file.scores.preview_import(path, SESSION)
    assert preview.left_out == ("remarks",)
    assert str(preview).endswith("scored in this session: remarks.")
    assert on_file.scores.import_scores(preview) == 1
    assert [entry.value for entry in on_file.scores.history(SESSION)] == [7]


def paper_rows(book, *, swap=None, ending=""):
    """Lines of flight 1 as on the paper table, the names of two tasters exchanged."""
    names = dict(zip(swap or (), reversed(swap or ()), strict=True))
    rows = ["flight,taster,position,blind_code,overall"]
    for taster in book.sessions.session(SESSION).tasters:
        rows += [
            f"1,{names.get(taster, taster)},{cup.position}{ending},{cup.blind_code},7"
            for cup in book.sessions.served_cups(SESSION, 1, taster)
        ]
    return rows


def test_lines_of_two_tasters_exchanged_are_refused_by_their_positions(on_file, tmp_path):
    """Shared bowls: both have every code, so that only the plan's orders tell."""
    good = write(tmp_path / "good.csv", *paper_rows(on_file, ending=".0"))
    assert set(verdicts(on_file.scores.preview_import(good, SESSION))) == {"new"}

    path = write(tmp_path / "paper.csv", *paper_rows(on_file, swap=("Ada", "Béla")))
    preview = on_file.scores.preview_import(path, SESSION)

    by_taster = {}
    for row in preview.rows:
        by_taster.setdefault(row.cells["taster"], set()).add(row.verdict)
    # All lines of the two, those too whose place is the same in both orders.
    assert by_taster == {"Ada": {"refused"}, "Béla": {"refused"}, "Chen": {"new"}}
    for taster, other in (("Ada", "Béla"), ("Béla", "Ada")):
        own = {c.blind_code: c.position for c in on_file.sessions.served_cups(SESSION, 1, taster)}
        lines = [row for row in preview.rows if row.cells["taster"] == taster]
        off = [r.line for r in lines if own[r.cells["blind_code"]] != int(r.cells["position"])]
        (why,) = {row.why for row in lines}
        assert f"contradict the plan in lines {', '.join(map(str, off))} and are those of" in why
        assert other in why
    with pytest.raises(ImportFileError, match="contradict the plan"):
        on_file.scores.import_scores(preview)
    assert on_file.scores.history(SESSION) == ()
    n_cups = len(on_file.sessions.served_cups(SESSION, 1, "Chen"))
    assert on_file.scores.import_scores(preview, take="good rows") == n_cups


def test_one_position_mistyped_refuses_the_sheet_and_names_the_line(on_file, tmp_path):
    rows = paper_rows(on_file)
    flight, taster, position, code, score = rows[2].split(",")
    rows[2] = f"{flight},{taster},{int(position) + 1},{code},{score}"
    preview = on_file.scores.preview_import(write(tmp_path / "paper.csv", *rows), SESSION)
    assert {row.cells["taster"] for row in preview.refused} == {taster}
    assert "contradict the plan in line 3: check whose" in preview.refused[0].why


def test_an_export_runs_no_formula_in_a_spreadsheet(sqlite_book, tmp_path):
    """Cells that start with = + - @ or their full-width forms (OWASP, CSV injection)."""
    tasters = ["=1+1", "+1", "-1", "@x", "＝1", "'quoted"]
    start_tasting(sqlite_book, tasters=tasters)
    for taster in tasters:
        sqlite_book.scores.record_score(SESSION, 1, taster, "overall", 7, position=1)
    path = sqlite_book.scores.export_scores(tmp_path / "out.csv")
    with open(path, encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert sorted(row["taster"] for row in rows) == sorted(f"'{taster}" for taster in tasters)
    assert not any(
        cell.startswith(("=", "+", "-", "@", "＝")) for row in rows for cell in row.values()
    )
    assert verdicts(sqlite_book.scores.preview_import(path, SESSION)) == ["already there"] * 6


def test_an_export_overwrites_only_when_asked(sqlite_book, tmp_path):
    start_tasting(sqlite_book)
    score_all(sqlite_book)
    path = sqlite_book.scores.export_scores(tmp_path / "out.csv")
    with pytest.raises(BookError, match="must be new"):
        sqlite_book.scores.export_scores(path)
    sqlite_book.scores.export_scores(path, shape="wide", overwrite=True)
    with pytest.raises(BookError, match="shape"):
        sqlite_book.scores.export_scores(path, shape="long", overwrite=True)
    assert list(tmp_path.glob(".*")) == []


def test_the_empty_table_has_a_row_a_cup_and_comes_back_as_scores(tasting, tmp_path):
    book, _ = tasting
    book.sessions.lock_flights(SESSION, [2])
    path = book.scores.write_paper_table(tmp_path / "paper.xlsx", SESSION)
    table = pd.read_excel(path)

    assert list(table.columns) == [
        *("flight", "taster", "position", "blind_code"),
        *("overall", "acidity", "words", "note"),
    ]
    assert set(table["flight"]) == {1}, "a locked flight takes nothing"
    for taster, cups in table.groupby("taster"):
        served = book.sessions.served_cups(SESSION, 1, taster)
        rows = zip(cups["position"], cups["blind_code"].astype(str), strict=True)
        assert list(rows) == [(cup.position, cup.blind_code) for cup in served]
    assert book.scores.preview_import(path, SESSION).rows == (), "an empty table says nothing"

    table = table.astype({"words": "object"}).assign(overall=7.5)
    table.loc[0, "words"] = "nutty; floral"
    table.to_excel(path, index=False)
    assert book.scores.import_scores(book.scores.preview_import(path, SESSION)) == len(table) + 1
    assert not any(gap.attribute == "overall" for gap in book.sessions.missing(SESSION, 1))


def test_the_empty_table_asks_for_each_stage_and_runs_no_formula(sqlite_book, tmp_path):
    start_tasting(sqlite_book, tasters=["=1+1", "Béla"], stages=("hot", "cool"))
    path = sqlite_book.scores.write_paper_table(tmp_path / "paper.xlsx", SESSION)
    sheet = openpyxl.load_workbook(path).active

    assert {cell.data_type for cell in sheet["B"]} == {"s"}, "'f' would be a formula"
    assert [cell.value for cell in sheet["E"]][:3] == ["stage", "hot", "cool"]
    table = pd.read_excel(path).assign(overall=8)
    table.to_excel(path, index=False)
    taken = sqlite_book.scores.import_scores(sqlite_book.scores.preview_import(path, SESSION))
    assert taken == len(table)
    assert {entry.taster for entry in sqlite_book.scores.history(SESSION)} == {"=1+1", "Béla"}


def test_a_session_that_takes_no_scores_gives_no_table(on_file, tmp_path):
    for flight in (1, 2):
        on_file.sessions.lock_flights(SESSION, [flight])
    with pytest.raises(BookError, match="must have a flight that takes scores"):
        on_file.scores.write_paper_table(tmp_path / "paper.xlsx", SESSION)
    assert list(tmp_path.iterdir()) == []


def test_the_history_says_who_when_and_from_where_and_what_counts(tasting, codes, tmp_path):
    book, _ = tasting
    book.scores.record_score(SESSION, 1, "Ada", "overall", 7, blind_code=codes[0], device="phone")
    book.scores.record_score(
        SESSION, 1, "Ada", "overall", 8, blind_code=codes[0], source="paper", entered_by="Dora"
    )
    book.scores.record_score(SESSION, 1, "Ada", "words", ["nutty", "floral"], blind_code=codes[0])
    book.scores.record_score(SESSION, 1, "Ada", "acidity", 3, blind_code=codes[0])
    book.scores.record_score(SESSION, 1, "Ada", "acidity", None, blind_code=codes[0])

    table = pd.read_csv(
        book.scores.export_history(tmp_path / "all.csv", SESSION), keep_default_na=False
    )

    kept = table[["attribute", "value", "is_current", "source", "device", "entered_by"]]
    assert kept.to_numpy().tolist() == [
        ["overall", "7.0", "no", "sheet", "phone", "Ada"],
        ["overall", "8.0", "yes", "paper", "", "Dora"],
        ["words", "floral; nutty", "yes", "sheet", "", "Ada"],
        ["acidity", "3.0", "no", "sheet", "", "Ada"],
        ["acidity", "", "no", "sheet", "", "Ada"],
    ]
    assert pd.to_datetime(table["received_at"]).is_monotonic_increasing
