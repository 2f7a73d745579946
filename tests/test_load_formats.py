"""Files of every usual format and encoding: read alike, or refused in one line."""

import gzip
import io
import zipfile
from datetime import date, datetime
from decimal import Decimal
from pathlib import Path
from xml.sax.saxutils import escape

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from tests.fleet_files import SERVICES, TOML, account, aside, load, load_into, write_folder
from wearlab.evidence import DataError
from wearlab.history.store import IN_MEMORY, open_store

Cell = str | float | tuple[float, int] | None
NOTES = "service_id,unit_id,date,action,note\nS1,T1,2020-01-01,regrease,Grüße\nS2,T1,2020-01-02,inspect,naïve €\n"


def kept(folder: Path, what: str = "service_id, date::varchar, miles, action, note") -> list[tuple[object, ...]]:
    with open_store(IN_MEMORY) as store:
        load_into(folder, store)
        return store.rows(f"select {what} from services order by row_id")


def refused(folder: Path) -> DataError:
    with pytest.raises(DataError) as caught:
        load(folder)
    assert "\n" not in str(caught.value)
    return caught.value


def write_workbook(path: Path, sheets: dict[str, list[list[Cell] | None]]) -> None:
    """Write a minimal workbook (ISO/IEC 29500); (number, 1) is a date cell, None in place of a row leaves it out."""
    package = "http://schemas.openxmlformats.org/package/2006"
    office = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
    main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml"

    def cell(place: str, value: Cell) -> str:
        if value is None:
            return ""
        if isinstance(value, str):
            return f'<c r="{place}" t="inlineStr"><is><t xml:space="preserve">{escape(value)}</t></is></c>'
        number, style = value if isinstance(value, tuple) else (value, 0)
        return f'<c r="{place}" s="{style}"><v>{number}</v></c>'

    numbers = range(1, len(sheets) + 1)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{package}/content-types"><Default Extension="rels" ContentType='
            '"application/vnd.openxmlformats-package.relationships+xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kind}.sheet.main+xml"/>'
            f'<Override PartName="/xl/styles.xml" ContentType="{kind}.styles+xml"/>'
            + "".join(
                f'<Override PartName="/xl/worksheets/sheet{n}.xml" ContentType="{kind}.worksheet+xml"/>'
                for n in numbers
            )
            + "</Types>",
        )
        book.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{package}/relationships"><Relationship Id="rId1" '
            f'Type="{office}/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        book.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{office}"><sheets>'
            + "".join(
                f'<sheet name="{escape(name)}" sheetId="{n}" r:id="rId{n}"/>'
                for n, name in zip(numbers, sheets, strict=True)
            )
            + "</sheets></workbook>",
        )
        book.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{package}/relationships">'
            + "".join(
                f'<Relationship Id="rId{n}" Type="{office}/worksheet" Target="worksheets/sheet{n}.xml"/>'
                for n in numbers
            )
            + f'<Relationship Id="rIdS" Type="{office}/styles" Target="styles.xml"/></Relationships>',
        )
        book.writestr(
            "xl/styles.xml",
            f'<styleSheet xmlns="{main}"><fonts count="1"><font/></fonts><fills count="1"><fill/></fills>'
            '<borders count="1"><border/></borders><cellStyleXfs count="1"><xf/></cellStyleXfs>'
            '<cellXfs count="2"><xf numFmtId="0"/><xf numFmtId="14" applyNumberFormat="1"/></cellXfs></styleSheet>',
        )
        for n, rows in zip(numbers, sheets.values(), strict=True):
            body = "".join(
                f'<row r="{r}">' + "".join(cell(f"{chr(65 + c)}{r}", value) for c, value in enumerate(row)) + "</row>"
                for r, row in enumerate(rows, 1)
                if row is not None
            )
            book.writestr(
                f"xl/worksheets/sheet{n}.xml", f'<worksheet xmlns="{main}"><sheetData>{body}</sheetData></worksheet>'
            )


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_every_usual_encoding_is_read_alike(tmp_path: Path, encoding: str) -> None:
    folder = write_folder(tmp_path / "f", services=NOTES.encode(encoding))
    assert [row[-1] for row in kept(folder)] == ["Grüße", "naïve €"]
    codes = [caution.code for caution in load(folder).cautions]
    assert codes == (["encoding-guessed"] if encoding == "cp1252" else [])


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "|"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_every_usual_delimiter_and_line_end_is_read_alike(tmp_path: Path, delimiter: str, end: str) -> None:
    text = SERVICES.replace(",", delimiter).replace("\n", end)
    folder = write_folder(tmp_path / "f", services=text.rstrip(end))
    assert kept(folder) == [
        ("S1", "2020-01-01", 1000.5, "regrease", None),
        ("S2", "2021-01-01", 9000.0, "inspect", None),
    ]


def test_a_compressed_file_is_read_and_a_broken_one_refused(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=None)
    packed = gzip.compress(SERVICES.encode())
    (folder / "services.csv.gz").write_bytes(packed)
    assert account(load(folder))["services"] == (2, 2, 0, 0)
    (folder / "services.csv.gz").write_bytes(packed[:-12])
    assert refused(folder).code == "unreadable"
    (folder / "services.csv.gz").write_bytes(b"no gzip at all")
    assert refused(folder).code == "unreadable"


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    assert refused(write_folder(tmp_path / "f", services=bytes(range(256)) * 9)).code == "unreadable"


def test_an_encoding_that_is_named_is_the_one_that_is_read(tmp_path: Path) -> None:
    toml = TOML + '[tables.services]\noptions = {{ encoding = "{}" }}\n'
    folder = write_folder(tmp_path / "f", toml.format("cp437"), services=NOTES.replace(" €", "").encode("cp437"))
    assert [row[-1] for row in kept(folder)] == ["Grüße", "naïve"]
    assert refused(write_folder(folder, toml.format("no-such"))).code == "bad-setting"
    assert refused(write_folder(folder, toml.format("ascii"), services=NOTES)).code == "unreadable"


def test_parquet_keeps_types_and_numbers_its_rows_from_one(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=None)
    table = pa.table(
        {
            "service_id": [1, 2, 3, 4],
            "unit_id": pa.array(["T1"] * 4).dictionary_encode(),
            "date": [date(2020, 1, 1), date(2020, 1, 2), date(2030, 1, 1), None],
            "miles": [1000.5, float("nan"), 5.0, 1e-7],
            "action": ["regrease"] * 4,
            "cups_purged": pa.array([4, None, 3, 0], pa.int8()),
            "parts_cost": pa.array([Decimal("12.34"), None, None, None], pa.decimal128(9, 2)),
            "updated_at": [datetime(2020, 1, 1, 10, 30), None, None, None],  # noqa: DTZ001 - as exports write it
            "warranty": [True, False, None, True],
            "tags": [["a", "b"], [], None, ["c"]],
        }
    )
    pq.write_table(table, folder / "services.parquet")
    loaded = load(folder)
    assert aside(loaded) == [("services.parquet", 3, "date", "2030-01-01"), ("services.parquet", 4, "date", None)]
    assert kept(folder, "service_id, miles, cups_purged, parts_cost, updated_at::varchar, attributes") == [
        ("1", 1000.5, 4, 12.34, "2020-01-01 10:30:00", {"tags": "['a', 'b']", "warranty": "true"}),
        ("2", None, None, None, None, {"tags": "[]", "warranty": "false"}),
    ]


def test_the_same_row_in_csv_and_parquet_is_a_repeat(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    columns = {
        "service_id": ["S1"],
        "unit_id": ["T1"],
        "date": [date(2020, 1, 1)],
        "miles": [1000.5],
        "action": ["regrease"],
    }
    pq.write_table(pa.table(columns), folder / "services-2.parquet")
    assert account(load(folder))["services"] == (3, 2, 0, 1)


def test_a_truncated_parquet_file_is_refused(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=None)
    buffer = io.BytesIO()
    pq.write_table(pa.table({"service_id": ["S1"] * 1000}), buffer)
    whole = buffer.getvalue()
    for part in (whole[: len(whole) // 2], whole[:4], b"", b"PAR1" + bytes(50) + whole[-60:]):
        (folder / "services.parquet").write_bytes(part)
        assert refused(folder).code == "unreadable"


def test_a_workbook_gives_its_rows_with_the_numbers_of_the_sheet(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=None)
    write_workbook(
        folder / "services.xlsx",
        {
            "Notes": [["hello"]],
            "Services": [
                None,
                ["service_id", "unit_id", "date", "miles", "action", "note"],
                ["S1", "T1", (43831.0, 1), 1000.5, "regrease", None],
                None,
                ["S2", "T1", "2020-02-01", "x", "regrease", "=cmd()"],
                ["S3", "T1", "2020-02-01", 12345678.25, "regrease", "=cmd()"],
            ],
        },
    )
    assert aside(load(folder)) == [("services.xlsx", 5, "miles", "x")]
    assert kept(folder) == [
        ("S1", "2020-01-01", 1000.5, "regrease", None),
        ("S3", "2020-02-01", 12345678.25, "regrease", "=cmd()"),
    ]


def test_one_workbook_may_hold_several_tables(tmp_path: Path) -> None:
    toml = (
        TOML
        + '[tables.units]\nfiles = ["fleet.xlsx"]\n'
        + '[tables.positions]\nfiles = ["fleet.xlsx"]\noptions = { sheet = "P" }\n'
    )
    folder = write_folder(tmp_path / "f", toml, units=None, positions=None, readings=None)
    sheets: dict[str, list[list[Cell] | None]] = {
        "P": [["unit_id", "position", "component"], ["T1", "a", "joint"]],
        "units": [["unit_id", "duty_cycle", "in_service_date"], ["T1", "x", "2019-01-01"]],
    }
    write_workbook(folder / "fleet.xlsx", sheets)
    assert account(load(folder)) == {"units": (1, 1, 0, 0), "positions": (1, 1, 0, 0), "services": (2, 2, 0, 0)}
    assert refused(write_folder(folder, toml.replace('"P"', '"Q"'))).code == "no-sheet"


def test_a_broken_workbook_is_refused(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=None)
    write_workbook(folder / "services.xlsx", {"services": [["service_id"], ["S1"]]})
    whole = (folder / "services.xlsx").read_bytes()
    for part in (whole[:600], b"", b"PK\x03\x04" + bytes(100)):
        (folder / "services.xlsx").write_bytes(part)
        assert refused(folder).code == "unreadable"
    write_workbook(folder / "services.xlsx", {"services": []})
    assert refused(folder).code == "empty-file"


def test_a_workbook_that_would_unpack_to_far_more_than_its_size_is_refused(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=None)
    with zipfile.ZipFile(folder / "services.xlsx", "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("xl/worksheets/sheet1.xml", bytes(40_000_000))
    error = refused(folder)
    assert error.code == "unreadable"
    assert "would unpack" in error.text


def test_a_decimal_comma_and_thousands_separators_are_read_where_fleet_toml_says_so(tmp_path: Path) -> None:
    toml = TOML + '[tables.services]\noptions = { decimal = ",", thousands = "." }\n'
    values = ["1.234,5", "1234,5", "1.234.567", "12,5", "1.23,4", "12.5", "1,2,3", "1.2345"]
    rows = "".join(f"S{n};T1;2020-01-01;{value};regrease\n" for n, value in enumerate(values))
    folder = write_folder(tmp_path / "f", toml, services="service_id;unit_id;date;miles;action\n" + rows)
    assert [row[2] for row in kept(folder)] == [1234.5, 1234.5, 1234567.0, 12.5]
    assert [value for *_, value in aside(load(folder))] == ["1.23,4", "12.5", "1,2,3", "1.2345"]


def test_english_thousands_are_read_where_fleet_toml_says_so(tmp_path: Path) -> None:
    toml = TOML + '[tables.services]\noptions = { thousands = "," }\n'
    folder = write_folder(
        tmp_path / "f", toml, services=SERVICES.replace("1000.5", '"1,000.5"').replace("9000", '"9,00"')
    )
    assert [row[2] for row in kept(folder)] == [1000.5]
    assert aside(load(folder)) == [("services.csv", 3, "miles", "9,00")]


def test_dates_may_be_day_counts_of_a_spreadsheet(tmp_path: Path) -> None:
    # 1970-01-01 is day 25569 of the date system that counts from 1900 (ISO/IEC 29500-1, 18.17.4)
    toml = TOML + '[tables.services]\ndates = ["serial"]\n'
    services = SERVICES.replace("2020-01-01", "43831").replace("2021-01-01", "44197.5")
    assert [row[1] for row in kept(write_folder(tmp_path / "f", toml, services=services))] == [
        "2020-01-01",
        "2021-01-01",
    ]


def test_a_time_of_day_and_a_zone_leave_the_day_as_it_is_written(tmp_path: Path) -> None:
    forms = ["2020-01-31T23:59:59Z", "2020-01-31 23:59", "2020-01-31T23:59:59.123456+05:00"]
    rows = "".join(f"S{n},T1,{form},1,regrease\n" for n, form in enumerate(forms))
    folder = write_folder(tmp_path / "f", services=SERVICES.splitlines()[0] + "\n" + rows)
    assert {row[1] for row in kept(folder)} == {"2020-01-31"}


def test_a_quote_character_may_be_named_or_turned_off(tmp_path: Path) -> None:
    toml = TOML + '[tables.services]\noptions = { quote = "\'" }\n'
    text = "service_id,unit_id,date,action,note\nS1,T1,2020-01-01,regrease,'a,b'\n"
    assert [row[-1] for row in kept(write_folder(tmp_path / "f", toml, services=text))] == ["a,b"]
    toml = toml.replace('"\'"', '""')
    text = 'service_id,unit_id,date,action,note\nS1,T1,2020-01-01,regrease,5" tube\nS2,T1,2020-01-01,regrease,"x\n'
    assert [row[-1] for row in kept(write_folder(tmp_path / "g", toml, services=text))] == ['5" tube', '"x']


def test_a_quote_in_the_midst_of_a_value_is_a_sign_of_inches(tmp_path: Path) -> None:
    text = (
        'service_id,unit_id,date,action,note\nS1,T1,2020-01-01,regrease,tube 5" and 6"\nS2,T1,2020-01-01,inspect,5"\n'
    )
    assert [row[-1] for row in kept(write_folder(tmp_path / "f", services=text))] == ['tube 5" and 6"', '5"']


def test_a_file_that_no_table_takes_is_named_in_a_caution(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f")
    (folder / "Invoices.xlsx").write_bytes(b"")
    (folder / "~$units.xlsx").write_bytes(b"")
    cautions = load(folder).cautions
    assert [caution.code for caution in cautions] == ["file-not-read"]
    assert "Invoices.xlsx" in cautions[0].text


def test_names_of_files_may_hold_any_character(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", services=None)
    odd = "services 'x' \"y\" [2024]*?{a} $b %.csv"
    (folder / odd).write_text(SERVICES)
    loaded = load(folder)
    assert account(loaded)["services"] == (2, 2, 0, 0)
    assert odd in {file.name for file in loaded.basis.files}


def test_a_path_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "services.csv").write_text(SERVICES)
    for name in ("../services.csv", str(tmp_path / "services.csv")):
        toml = TOML + f'[tables.services]\nfiles = ["{name}"]\n'
        assert refused(write_folder(tmp_path / "f", toml)).code == "no-file"


def test_files_may_stand_in_folders_below(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "f", TOML + '[tables.services]\nfiles = ["exports/*/wo.csv"]\n', services=None)
    for year in ("2020", "2021"):
        (folder / "exports" / year).mkdir(parents=True)
        (folder / "exports" / year / "wo.csv").write_text(SERVICES.replace("S1", f"S{year}").replace("S2", f"R{year}"))
    assert account(load(folder))["services"] == (4, 4, 0, 0)
