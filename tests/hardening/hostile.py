"""Hostile values: cells, names, texts and bytes as careless exports and ill will may hold them (all made up here)."""

import random

NUMBERS = (
    "", "0", "-0", "1", "-1", "0.001", "1e-3", "1e9", "1e308", "1e309", "-1e308", "5e-324", "nan", "NaN", "inf", "-inf",
    "Infinity", "1,000", "1.000,5", "1 000", "1'000", "0x10", "1_000", "١٢٣", "½", "1e", "e5", "--5", "+7", "1.2.3",
    "12 345 mi", "$120", "(120)", "1/2", "9007199254740993", "99999999999999999999999999", "0.1e-400", "TRUE", "null",
)  # fmt: skip
DATES = (
    "", "2020-01-01", "2020-02-30", "2021-13-01", "0001-01-01", "0000-00-00", "1900-01-01", "1899-12-31", "2199-12-31",
    "9999-12-31", "10000-01-01", "-0044-03-15", "infinity", "-infinity", "epoch", "today", "now", "2020-1-1",
    "01/02/2020", "1/2/20", "2020-01-01T00:00:00Z", "2020-01-01 25:61:61", "43831", "1577836800", "2020-01-01 BC",
    "2020-W01-1", "20200101", "2020-01-01+14:00", "29-Feb-2021", "2019-12-31 23:59:60",
)  # fmt: skip
TEXTS = (
    "", " ", "T1", "t1", " T1 ", "line_haul", "vocational", "regrease", "replace", "inspect", "failure", "planned",
    "joint", 'x"; drop table lives; --', "'; drop table services; --", "$name", "{{ 7*7 }}", "{% raw %}",
    "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "]]>", "&lt;b&gt;", "=cmd|' /C calc'!A0", "+1+1",
    "-2+3", "@SUM(1)", "\t=1", "a,b", 'a"b', '"', '""', '"""', "a\nb", "a\r\nb", "\r", "\n", ";", "|", "\\", "\\n",
    "a\tb", "%s%s%n", "../../etc/passwd", "C:\\nul", "~", "\x00", "\x07", "\x1b[31mred\x1b[0m", "\x1f", "\x7f",
    "\x85", "\u200b", "\u202egnp", "\u2066x", "\ufeff", "\ufffd", "é", "e\u0301", "İ", "ß", "ǅ", "Ａ", "日本語", "🚚",
    "\U0010ffff", "row 1", "unit_id", "all", "None", "nan", "NULL", "null", "true", "x" * 300, "y" * 140_000,
    "a" * 31 + "-" + "b" * 31, "BEGIN:VEVENT\nX:1", "END:VCALENDAR", "a;b,c\\d", "#note",
)  # fmt: skip
NAMES = (
    "", " ", "unit_id", "Unit ID", "UNIT_ID", "unit id", "date", "miles", "lot", "shop", 'x"; drop table lives; --',
    "a\nb", "select", "order", "count", "failed", "exit", "row_id", "file_id", "line", "row_hash", "attributes",
    "fault", "life_id", "rowid", "c0", "raw_miles", "attribute_0", "mode", "component", "duty_cycle", "é", "日本", "$x",
    "a.b", "x" * 300, "staged_row", "value", "index", "level", "cautions", "\x1f", "<b>", "=1", "\u202ex", "entry",
    "count(*)", "*",
)  # fmt: skip
FILE_NAMES = (
    "services-2.csv", "services 2.csv", "SERVICES.CSV", "services.tsv", "services.txt", "units-10.csv",
    "readings_2.csv.gz", "services.xlsx", "services.parquet", "services-é.csv", "services-日本.csv", "services-[1].csv",
    "services-*.csv", "services-{a,b}.csv", "services-?.csv", "services-a\nb.csv", "services-'x.csv",
    'services-".csv', "services-=x.csv", "services-\u202e.csv", "services-\udcff.csv", "notes.csv", "spectra.csv",
    "angles.csv", "lube_plan.csv", "services-.csv", "measurements.csv", "duty_changes.csv", "services.csv.csv",
    "-services.csv", "services-" + "n" * 200 + ".csv",
)  # fmt: skip


def pick_cell(rnd: random.Random, column: str) -> str:
    """Return a hostile cell, mostly of the kind that a column of this name would hold."""
    kind = rnd.random()
    if kind < 0.2:
        return rnd.choice(TEXTS)
    if "date" in column or column.endswith("_at"):
        return rnd.choice(DATES)
    if kind < 0.8 and any(
        word in column for word in ("miles", "hours", "cost", "ratio", "value", "exit", "entry", "cups")
    ):
        return rnd.choice(NUMBERS) if kind < 0.5 else odd_number(rnd)
    return rnd.choice(TEXTS) if kind < 0.9 else rnd.choice(NUMBERS)


def odd_number(rnd: random.Random) -> str:
    """Return a number of any size and sign, as text."""
    value = rnd.choice((-1, 1, 1, 1)) * rnd.random() * 10.0 ** rnd.randint(-12, 15)
    return rnd.choice((repr(value), f"{value:.0f}", f"{value:.3e}", f"{value:,.2f}"))


def spoil_bytes(rnd: random.Random, content: bytes) -> bytes:
    """Return bytes with a few of them changed, taken out, put in, doubled or cut off."""
    found = bytearray(content)
    for _ in range(rnd.randint(1, 4)):
        at = rnd.randrange(len(found) + 1)
        way = rnd.randrange(7)
        if way == 0 and found:
            found[at % len(found)] ^= 1 << rnd.randrange(8)
        elif way == 1:
            del found[at : at + rnd.randint(1, 30)]
        elif way == 2:
            found[at:at] = bytes(rnd.randrange(256) for _ in range(rnd.randint(1, 6)))
        elif way == 3:
            found[at:at] = found[at : at + rnd.randint(1, 60)]
        elif way == 4:
            del found[at:]
        elif way == 5:
            found[at:at] = rnd.choice(
                (b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n\n", b'"', b"\x1a", b"'", b"[", b"=")
            )
        else:
            other = rnd.randrange(len(found) + 1)
            found[at:at], found[other:other] = found[other : other + 9], found[at : at + 9]
    return bytes(found)
