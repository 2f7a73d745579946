"""Files read at once by the database: the same rows, lines and faults as record by record."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fleet_files import account, aside, load_into, write_folder
from wearlab.evidence import DataError
from wearlab.history import load_scan, load_stage, load_text
from wearlab.history.load_bulk import UnevenError
from wearlab.history.load_scan import Scan, scan_bytes
from wearlab.history.store import IN_MEMORY, open_store

HEADER = "service_id,unit_id,date,miles,action,note,tool\n"


def outcome(folder: Path) -> tuple[object, ...]:
    with open_store(IN_MEMORY) as store:
        loaded = load_into(folder, store)
        rows = store.rows("select * exclude (row_id) from services order by file_id, line")
        reasons = list(loaded.set_aside["reason"])
        return account(loaded), aside(loaded), reasons, rows


def both_ways(folder: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[object, ...]:
    by_record = outcome(folder)
    monkeypatch.setattr(load_text, "SMALLEST_BULK", 0)
    at_once = outcome(folder)
    monkeypatch.undo()
    assert at_once == by_record
    return at_once


def scan(folder: Path, text: bytes) -> Scan:
    path = folder / "x.csv"
    path.write_bytes(text)
    return scan_bytes(path, ",", '"')


def test_rows_lines_and_faults_are_the_same_either_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [f"S{number},T1,2020-01-01,{number},regrease,note {number},t\n" for number in range(300)]
    rows[3] = "S3,T1,2020-01-01\n"
    rows[4] = "S4,T1,2020-01-01,1,regrease,n,t,more\n"
    rows[5] = "S5,T1,2020-13-01,1,regrease,n,t\n"
    rows[6] = "S6,T9,2020-01-01,1,regrease,n,t\n"
    rows[100] = 'S100,T1,2020-01-01,1,regrease,"a, ""b""",\n'
    rows[101] = 'S101,T1,2020-01-01,1,regrease,5" pipe 6",""\n'
    rows[102] = "S102, T1 ,2020-01-01, 1,regrease\t,\u00a0n\u00a0, \n"
    rows[200] = "\n"[:0] + "S1,T1,2020-01-01,1,regrease,note 1,t\n"
    rows[299] = "S299,T1,2020-01-01,x,regrease,n,t\n"
    for end in ("\n", "\r\n"):
        folder = write_folder(tmp_path / repr(end), services=(HEADER + "".join(rows)).replace("\n", end))
        accounts, set_aside, _, kept = both_ways(folder, monkeypatch)
        assert accounts["services"] == (300, 294, 5, 1)
        assert [line for _, line, _, _ in set_aside] == [5, 6, 7, 8, 301]
        assert len(kept) == 294


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_large_plain_file_is_not_read_record_by_record(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, end: str
) -> None:
    text = HEADER + "S1,T1,2020-01-01,1,regrease,n,t\nS2,short\n"
    folder = write_folder(tmp_path / "f", services=text.replace("\n", end))
    monkeypatch.setattr(load_text, "SMALLEST_BULK", 0)
    monkeypatch.setattr(load_text, "make_batch", None)
    accounts, set_aside, *_ = outcome(folder)
    assert accounts["services"] == (2, 1, 1, 0)
    assert set_aside == [("services.csv", 3, None, "S2,short")]


@pytest.mark.parametrize(
    "text",
    [
        'S1,T1,2020-01-01,1,regrease,"two\nlines",t\nS2,T1,2020-01-01,1,inspect,,\n',
        'S1,T1,2020-01-01,1,regrease,"open,t\nS2,T1,2020-01-01,1,inspect,,\nS3,T1,2020-01-01,1,inspect,,\n',
        'S1,T1,2020-01-01,1,regrease,"closed"x,t\nS2,T1,2020-01-01,1,inspect,,\n',
        "\nS1,T1,2020-01-01,1,regrease,n,t\n\n\nS2,T1,2020-01-01,1,inspect,,\n",
        "S1,T1,2020-01-01,1,regrease,n,t\r\nS2,T1,2020-01-01,1,inspect,,\n",
        "S1,T1,2020-01-01,1,regrease,n\rm,t\nS2,T1,2020-01-01,1,inspect,,\n",
        "S1,T1,2020-01-01,1,regrease,n,t\nS2,T1,2020-01-01,1,inspect,,",
        "S1,T1,2020-01-01,1,regrease,n,t\nS2,T1,2020-01-01,1,inspect,,\n\n\n",
        'S1,T1,2020-01-01,1,regrease, "a,b",t\nS2,T1,2020-01-01,1,inspect,,\n',
        "S1,T1,2020-01-01,1,regrease,a\x1fb,c\nS2,T1,2020-01-01,1,inspect,,\n",
        " \nS2,T1,2020-01-01,1,inspect,,\n",
        ",,,,,,\nS2,T1,2020-01-01,1,inspect,,\n",
        "",
    ],
)
def test_odd_files_come_out_the_same_either_way(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, text: str) -> None:
    both_ways(write_folder(tmp_path / "f", services=HEADER + text), monkeypatch)


@pytest.mark.parametrize(
    "odd",
    [
        'S1,T1,2020-01-01,1,regrease,  "a",t',
        '  "S1",T1,2020-01-01,1,regrease,a,t',
        'S1,T1,2020-01-01,1,regrease,  "a,b",',
        'S1,T1,never,1,regrease,  "a,b",',
        'S1,T1,2020-01-01,1,regrease,"a" ,t',
        'S1,T1,never,1,regrease,"a"  ,t',
        'S1,T1,2020-01-01,1,regrease,n,"t" ',
        'S1,T1,2020-01-01,1,regrease,"" "",t',
        "S1,T1,2020-01-01,1,regrease,n,t,,",
        'S1,T1,2020-01-01,1,regrease,n,t,, ,""',
        "S1,T1,2020-01-01,1,regrease,n,t,\u00a0,",
        "S1,T1,never,1,regrease,n,t,,,",
        "S1,T1,2020-01-01,1,regrease,\u00a0n,t",
        "S1,\u00a0T1,2020-01-01,1,regrease,n,t",
        "\u00a0S1,T1,2020-01-01,1,regrease,n,t",
        "S1,T1,2020-01-01,1,regrease,n,t\u00a0",
        "S1,T1,2020-01-01,1,regrease," + "y" * 140_000 + ",t",
        "S1,T1,never,1,regrease," + "y" * 140_000 + ",t",
        "S1,T1,2020-01-01,1,regrease," + "y" * 120_000 + ",t,more,more",
    ],
)
@pytest.mark.parametrize("last", [True, False])
def test_spaces_at_quotes_and_long_values_come_out_the_same_either_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, odd: str, *, last: bool
) -> None:
    more = "" if last else "\nS2,T1,2020-01-01,1,inspect,,\n"
    both_ways(
        write_folder(tmp_path / "f", services=HEADER + "S0,T1,2020-01-01,1,regrease,,\n" + odd + more), monkeypatch
    )


@pytest.mark.parametrize("form", ["2020/01/31", "2020-1-31"])
def test_a_column_without_any_readable_date_is_refused_either_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, form: str
) -> None:
    rows = "".join(f"S{number},T1,{form},1,regrease,,\n" for number in range(6))
    folder = write_folder(tmp_path / "f", services=HEADER + rows)
    for smallest in (1 << 15, 0):
        monkeypatch.setattr(load_text, "SMALLEST_BULK", smallest)
        with pytest.raises(DataError) as caught:
            outcome(folder)
        assert (caught.value.code, caught.value.line) == ("unreadable-dates", 2)


def test_a_file_in_another_encoding_is_read_by_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    text = (HEADER + "S1,T1,2020-01-01,1,regrease,Grüße,\n").encode("cp1252")
    both_ways(write_folder(tmp_path / "f", services=text), monkeypatch)


def test_a_name_that_would_be_a_pattern_names_one_file_only(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    row = "S{},T1,2020-01-01,1,regrease,,\n"
    files = {
        "services-*": HEADER + row.format(1),
        "services-[a]": HEADER + row.format(2),
        "services-a": HEADER + row.format(3),
    }
    accounts, *_ = both_ways(write_folder(tmp_path / "f", services=None, **files), monkeypatch)
    assert accounts["services"] == (3, 3, 0, 0)


def test_rows_that_hold_the_separator_of_the_hash_are_told_apart(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = "S1,T1,2020-01-01,1,regrease,a\x1fb,\nS1,T1,2020-01-01,1,regrease,a,b\nS1,T1,2020-01-01,1,regrease,a\x1fb,\n"
    accounts, *_ = both_ways(write_folder(tmp_path / "f", services=HEADER + rows), monkeypatch)
    assert accounts["services"] == (3, 2, 0, 1)


def test_a_row_is_the_same_row_whichever_way_its_file_was_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    row = "S1,T1,2020-01-01,1,regrease,n,t\n"
    folder = write_folder(tmp_path / "f", services=HEADER + row)
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        monkeypatch.setattr(load_text, "SMALLEST_BULK", 0)
        (folder / "services-2.csv").write_text(HEADER + row)
        (folder / "services-3.csv").write_text(HEADER + row + 'S2,T1,2020-01-01,1,regrease,"a\x1fb",\n')
        assert account(load_into(folder, store))["services"] == (4, 1, 0, 3)


@pytest.mark.parametrize(
    ("text", "simple", "lines"),
    [
        (b"a,b\n1,2\n", True, 2),
        (b"a,b\n1,2", True, 2),
        (b"a,b\r\n1,2\r\n\r\n", True, 3),
        (b"a,b\n\n1,2\n", False, 3),
        (b"a,b\n1,2\r\n", False, 2),
        (b"a,b\n1\r,2\n", False, 2),
        (b'a,b\n"1\n",2\n', False, 3),
        (b'a,b\n"1,2\n', False, 2),
        (b"a,b\n\xff,2\n", False, 2),
        (b"a,b\n1\0,2\n", False, 2),
        (b"a,b", False, 1),
    ],
)
def test_the_bytes_tell_whether_each_line_is_one_record(tmp_path: Path, text: bytes, simple: bool, lines: int) -> None:
    found = scan(tmp_path, text)
    assert (found.simple, found.lines) == (simple, lines)


@settings(max_examples=200, deadline=None)
@given(
    parts=st.lists(
        st.sampled_from([b"\n", b"\r\n", b"a", b",", b'"', b" ", b"\t", "é".encode(), b"\xc2", b"\x1f"]), max_size=40
    ),
    size=st.integers(1, 7),
)
def test_a_scan_does_not_depend_on_where_the_chunks_end(
    tmp_path_factory: pytest.TempPathFactory, parts: list[bytes], size: int
) -> None:
    path = tmp_path_factory.mktemp("scan") / "x.csv"
    path.write_bytes(b"".join(parts))
    whole = scan_bytes(path, ",", '"')
    before = load_scan._CHUNK
    load_scan._CHUNK = size
    try:
        assert scan_bytes(path, ",", '"') == whole
    finally:
        load_scan._CHUNK = before


cells = st.one_of(
    st.sampled_from(
        [
            *(
                "",
                "T1",
                "T9",
                "2020-01-01",
                "regrease",
                "replace",
                "1000",
                "-5",
                "4.5",
                "x y",
                " x",
                "x ",
                '"',
                "a\x1fb",
            ),
            *("1e3", "1_000", "nan", "inf", "0x10", "2020-1-1", "infinity", "-0", "00012.50", "1.", ".5", "12.7", "3"),
            *(
                "2020-02-30",
                "2020-01-01T10:00",
                "2020-01-01 (BC)",
                "99999-01-01",
                "epoch",
                "today",
                "2019-06-01",
                "9e400",
            ),
        ]
    ),
    st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\n\r\x00"), max_size=5),
)


@settings(max_examples=12, deadline=None)
@given(lines=st.lists(st.lists(cells, min_size=5, max_size=8).map(",".join), min_size=1, max_size=10))
def test_any_lines_come_out_the_same_either_way(tmp_path_factory: pytest.TempPathFactory, lines: list[str]) -> None:
    good = "S0,T1,2020-01-01,1,regrease,,\n"
    folder = write_folder(tmp_path_factory.mktemp("lines") / "f", services=HEADER + good + "\n".join(lines))
    with pytest.MonkeyPatch.context() as patch:
        both_ways(folder, patch)


def second_load(folder: Path, more: dict[str, str], *, whole: bool) -> tuple[object, ...]:
    """Load a folder, write more files into it, load again; ``whole``: files with rows set aside are read whole."""
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with open_store(IN_MEMORY) as store, pytest.MonkeyPatch.context() as patch:
        patch.setattr(load_text, "SMALLEST_BULK", 0)
        if whole:
            patch.setattr(load_stage, "read_again", _refuse)
        load_into(folder, store)
        for name, text in more.items():
            (folder / name).write_text(text)
        loaded = load_into(folder, store)
        rows = store.rows("select * from services order by row_id")
        files = store.rows("select * exclude (loaded_at) from files order by file_id")
    for path in folder.iterdir():
        path.unlink()
    for name, data in before.items():
        (folder / name).write_bytes(data)
    return account(loaded), aside(loaded), list(loaded.set_aside["reason"]), loaded.cautions, rows, files


def _refuse(*_: object) -> object:
    raise UnevenError


THIRD = {"units-2.csv": "unit_id,duty_cycle,in_service_date\nT9,line_haul,2019-01-01\n"}


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_only_the_lines_set_aside_are_read_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, end: str) -> None:
    lines = [
        "S1,T1,2020-01-01,1,regrease,n,t",
        "S2,T9,2020-01-02,2,regrease,n,t,,",
        "S3,short",
        "S4,T1,never,1,regrease,,",
    ]
    lines += ["S1,T1,2020-01-01,1,regrease,n,t", "S5,T8,2020-01-02,2,regrease,n,t", "S6,T9,2020-01-06,2,inspect,n,"]
    folder = write_folder(tmp_path / "f", services=(HEADER + "\n".join(lines)).replace("\n", end))
    found = second_load(folder, THIRD, whole=False)
    assert found == second_load(folder, THIRD, whole=True)
    assert found[0]["services"] == (7, 2, 3, 2)  # type: ignore[index]
    assert [line for _, line, _, _ in found[1]] == [4, 5, 7]  # type: ignore[attr-defined]
    seen: list[str] = []
    monkeypatch.setattr(load_text, "SMALLEST_BULK", 0)
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        load_into(folder, store, messages=seen)
    assert "trying again what was set aside of services.csv: 5 rows" in seen


def test_rows_set_aside_of_a_file_that_has_an_earlier_version_are_told_apart_from_those_kept(tmp_path: Path) -> None:
    """Which rows of the earlier version are in the file no more can only be told from the whole file."""
    first = "S1,T1,2020-01-01,1,regrease,n,t\nS2,T9,2020-01-02,2,regrease,n,t\n"
    folder = write_folder(tmp_path / "f", services=HEADER + first + "S3,T1,2020-01-03,1,regrease,n,t\n")
    with open_store(IN_MEMORY) as store, pytest.MonkeyPatch.context() as patch:
        patch.setattr(load_text, "SMALLEST_BULK", 0)
        load_into(folder, store)
        (folder / "services.csv").write_text(HEADER + first)
        told = [caution.text for caution in load_into(folder, store).cautions if caution.code == "earlier-version-kept"]
        (folder / "units-2.csv").write_text(THIRD["units-2.csv"])
        last = load_into(folder, store)
    assert "1 rows of its earlier version" in told[0]
    assert told[0] in [caution.text for caution in last.cautions]
    assert account(last)["services"] == (2, 1, 0, 1)


@settings(max_examples=15, deadline=None)
@given(
    lines=st.lists(st.lists(cells, min_size=5, max_size=8).map(",".join), min_size=1, max_size=12),
    more=st.sampled_from([{}, THIRD]),
)
def test_any_lines_set_aside_come_out_the_same_as_with_their_whole_file(
    tmp_path_factory: pytest.TempPathFactory, lines: list[str], more: dict[str, str]
) -> None:
    good = "S0,T1,2020-01-01,1,regrease,,\nS9,T9,2020-01-01,1,regrease,,\n"
    folder = write_folder(tmp_path_factory.mktemp("lines") / "f", services=HEADER + good + "\n".join(lines))
    assert second_load(folder, more, whole=False) == second_load(folder, more, whole=True)


def test_a_long_file_whose_first_dates_are_bad_comes_out_the_same_either_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("wearlab.history.load_text.BATCH_ROWS", 50)
    rows = "".join(f"S{number},T1,{'never' if number < 60 else '2020-01-01'},1,regrease,,\n" for number in range(90))
    accounts, *_ = both_ways(write_folder(tmp_path / "f", services=HEADER + rows), monkeypatch)
    assert accounts["services"] == (90, 30, 60, 0)
