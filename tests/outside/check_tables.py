"""Reads an export's tables as other programs do, and holds their four forms against each other.

usage: check_tables.py FOLDER

CSV by Python's csv, XLSX by openpyxl, JSON against its JSON Schema by jsonschema (formats too). Every cell must say the
same in all forms, dates must be dates, and no cell of a spreadsheet may be a formula.
"""

import csv
import datetime
import json
import math
import pathlib
import sys

import jsonschema
import openpyxl

folder = pathlib.Path(sys.argv[1])
about = json.loads((folder / "export.json").read_text())
n_cells = n_defused = 0


def from_csv(text, kind):
    if text == "":
        return None
    if kind == "text":
        return text[1:] if text.startswith("'") else text
    return {"integer": int, "number": float}.get(kind, str)(text)


def from_xlsx(cell, kind):
    value = cell.value
    assert cell.data_type != "f", f"{cell.coordinate} is a formula: {value}"
    if value is None:
        return None
    if kind == "date":
        assert isinstance(value, datetime.datetime) and cell.number_format == "yyyy-mm-dd", cell.coordinate
        return value.date().isoformat()
    if kind == "time":
        assert isinstance(value, datetime.datetime), cell.coordinate
        return value
    if kind in ("integer", "number"):
        assert isinstance(value, (int, float)), cell.coordinate
    return value


def same_time(json_text, value):
    told = datetime.datetime.fromisoformat(json_text.replace("Z", "+00:00")).replace(tzinfo=None)
    # A spreadsheet's time is a double of days: good to some ten microseconds.
    return abs((told - value).total_seconds()) < 0.001


for table in about["tables"]:
    name, columns = table["name"], table["columns"]
    kinds = [column["kind"] for column in columns]
    names = [column["name"] for column in columns]

    rows = json.loads((folder / f"{name}.json").read_text())
    schema = json.loads((folder / f"{name}.schema.json").read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    checker = jsonschema.FormatChecker(formats=["date", "date-time"])
    assert "date-time" in checker.checkers, "the format of times is not checked; install rfc3339-validator"
    jsonschema.Draft202012Validator(schema, format_checker=checker).validate(rows)
    assert len(rows) == table["rows"], name

    lines = [json.loads(line) for line in (folder / f"{name}.ndjson").read_text().splitlines()]
    assert lines == rows, f"{name}: NDJSON and JSON differ"

    raw = (folder / f"{name}.csv").read_bytes()
    assert raw.count(b"\n") == raw.count(b"\r\n"), f"{name}: a line doesn't end with CR LF"
    with open(folder / f"{name}.csv", newline="", encoding="utf-8") as file:
        cells = list(csv.reader(file, strict=True))
    assert cells[0] == names, name
    assert len(cells) - 1 == len(rows), name
    for line, row in zip(cells[1:], rows):
        assert len(line) == len(columns), name
        for text, kind, column in zip(line, kinds, names):
            told = from_csv(text, kind)
            assert told == row[column], f"{name}.{column}: {text!r} and {row[column]!r}"
            if kind == "text":
                assert not text.startswith(("=", "+", "-", "@", "\t", "\r")), f"{name}.{column}: {text!r} is live"
                n_defused += text.startswith("'")
            n_cells += 1

    workbook = openpyxl.load_workbook(folder / f"{name}.xlsx")
    sheet = workbook.worksheets[0]
    assert sheet.freeze_panes == "A2", f"{name}: the header isn't frozen"
    found = list(sheet.iter_rows())
    assert [cell.value for cell in found[0]] == names, name
    assert len(found) - 1 == len(rows), name
    for cells_of_row, row in zip(found[1:], rows):
        for cell, kind, column in zip(cells_of_row, kinds, names):
            value, told = from_xlsx(cell, kind), row[column]
            if kind == "time" and value is not None:
                assert same_time(told, value), f"{name}.{column}: {value} and {told}"
            elif kind == "number" and value is not None:
                assert math.isclose(value, told, rel_tol=1e-14), f"{name}.{column}: {value} and {told}"
            else:
                assert value == told, f"{name}.{column}: {value!r} and {told!r}"
            if isinstance(told, str) and told.startswith(("=", "+", "-", "@")):
                assert cell.quotePrefix, f"{name}.{column}: {told!r} turns live when it is edited"

print(f"{len(about['tables'])} tables, {n_cells} cells the same in four forms, {n_defused} defused")
assert n_defused > 0, "no text here tries to be a formula: the check checks nothing"
