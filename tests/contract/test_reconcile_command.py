"""Goal: any network of streams can be reconciled from a table, with no database, and every bad table says why.

Method: the published example through the command in its fixed JSON form; then a table of bad files, one fault each.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from service.cli import app
from service.settings import DATABASE_URL_VARIABLE

HEADING = "stream,from_node,to_node,value_kg,u_kg\n"
# tests/published/test_reconciliation_examples.py says where it is from.
EXAMPLE = HEADING + (
    "F1,,A,110.5,0.82\nF2,A,B,60.8,0.53\nF3,A,C,35.0,0.46\nF4,B,D,68.9,0.71\nF5,C,D,38.6,0.45\nF6,D,,101.4,1.2\n"
)


def run(tmp_path: Path, content: str | bytes, *arguments: str) -> Result:
    file = tmp_path / "streams.csv"
    file.write_bytes(content.encode() if isinstance(content, str) else content)
    nowhere = {DATABASE_URL_VARIABLE: f"sqlite:///{tmp_path}/none/none.sqlite3"}
    return CliRunner().invoke(app, ["reconcile", "--csv", str(file), *arguments], env=nowhere)


def test_the_fixed_form(tmp_path: Path) -> None:
    result = run(tmp_path, EXAMPLE, "--format", "json")
    assert result.exit_code == 0, result.output
    answer = json.loads(result.stdout)
    reconciled = {stream["stream"]: stream["reconciled_kg"] for stream in answer["streams"]}
    assert reconciled == {
        "F1": "103.240108249",
        "F2": "65.415560488",
        "F3": "37.824547761",
        "F4": "65.415560488",
        "F5": "37.824547761",
        "F6": "103.240108249",
    }
    assert (round(answer["objective"], 2), answer["degrees_of_freedom"]) == (221.33, 4)
    assert answer["global_test"]["fails"] is True
    assert round(answer["global_test"]["critical_value"], 3) == 9.488
    first = answer["suspects"][0]
    assert (first["rank"], first["explanations"][0]["stream"], first["is_significant"]) == (1, "F2", True)
    assert first["explanations"][0]["size_kg"] == "-8.981425"
    assert list(tmp_path.iterdir()) == [tmp_path / "streams.csv"]


def test_the_sheet_says_the_same_in_words(tmp_path: Path) -> None:
    sheet = run(tmp_path, EXAMPLE).stdout
    assert sheet.startswith("Something is wrong, or a doubt was stated too small (objective 221.33 with 4 degrees")
    assert "1* stream F2 shows 9.0 kg too little" in sheet
    assert "or, which no arithmetic tells apart: 9.8 kg left node A without being booked" in sheet
    assert "103.240108249" in sheet


def test_unmeasured_exact_and_undetermined_streams(tmp_path: Path) -> None:
    table = HEADING + "in,,a,100,0\nx,a,b,40,1\ny,a,b,,\nz,b,,99,1\nr,b,c,,\ns,c,b,,\n"
    answer = json.loads(run(tmp_path, table, "--format", "json").stdout)
    found = {stream["stream"]: (stream["state"], stream["reconciled_kg"]) for stream in answer["streams"]}
    assert found == {
        "in": ("exact", "100.000000000"),
        "x": ("measured", "40.000000000"),
        "y": ("follows", "60.000000000"),
        "z": ("measured", "100.000000000"),
        "r": ("undetermined", None),
        "s": ("undetermined", None),
    }
    assert (answer["objective"], answer["degrees_of_freedom"]) == (1.0, 1)
    assert any("No balance determines stream r + stream s" in remark for remark in answer["remarks"])


def test_a_spreadsheet_s_mark_and_line_ends_and_column_order_are_read(tmp_path: Path) -> None:
    table = b"\xef\xbb\xbfu_kg,value_kg,stream,from_node,to_node\r\n1,10,a,,x\r\n\r\n1,12,b,x,\r\n"
    answer = json.loads(run(tmp_path, table, "--format", "json").stdout)
    assert [stream["reconciled_kg"] for stream in answer["streams"]] == ["11.000000000", "11.000000000"]


def test_a_node_with_one_side_only_is_pointed_out(tmp_path: Path) -> None:
    answer = json.loads(run(tmp_path, HEADING + "a,,x,10,1\nb,,x,5,1\n", "--format", "json").stdout)
    assert answer["remarks"] == ["Nothing leaves node x: a stream is missing."]


BAD: dict[str, tuple[str | bytes, str]] = {
    "missing column": ("stream,from_node,to_node,value_kg\na,,x,1\n", "line 1, u_kg: column is missing"),
    "unknown column": (HEADING.strip() + ",colour\na,,x,1,1,red\n", "line 1, colour: unknown column"),
    "column twice": ("stream,from_node,to_node,value_kg,u_kg,u_kg\na,,x,1,1,1\n", "u_kg: column stands there twice"),
    "same name": (HEADING + "a,,x,1,1\na,x,,1,1\n", "line 3, stream: 'a' is already the name of line 2"),
    "no name": (HEADING + ",,x,1,1\n", "line 2, stream: no name"),
    "decimal comma": (
        HEADING + "a,,x,1,5,1\n",
        "line 2: 6 cells where the heading has 5; write numbers with a decimal",
    ),
    "quoted comma": (HEADING + 'a,,x,"1,5",1\n', "line 2, value_kg: '1,5' is no number"),
    "thousands": (HEADING + "a,,x,24 368,1\n", "line 2, value_kg: '24 368' is no number"),
    "unit": (HEADING + "a,,x,24 kg,1\n", "line 2, value_kg: '24 kg' is no number"),
    "not a number": (HEADING + "a,,x,nan,1\n", "line 2, value_kg: 'nan' is no number"),
    "negative doubt": (HEADING + "a,,x,1,-1\n", "line 2, u_kg: -1 is negative"),
    "no doubt": (HEADING + "a,,x,1,\n", "line 2, u_kg: a value without its uncertainty"),
    "to itself": (HEADING + "a,x,x,1,1\n", "line 2, to_node: runs from node 'x' to itself"),
    "outside only": (HEADING + "a,,,1,1\n", "line 2, to_node: runs from outside to outside"),
    "too large": (HEADING + "a,,x,1e12,1\n", "line 2, value_kg: 1e12 kg is more than a million tonnes"),
    "semicolons": (HEADING.replace(",", ";") + "a;;x;1;1\n", "line 1: columns parted by semicolons"),
    "empty": ("", "line 1, stream: column is missing"),
    "heading only": (HEADING, "no streams below the heading"),
    "open quote": (HEADING + 'a,,"x,1,1\n', "not CSV"),
    "other encoding": (HEADING.encode() + "M\xfchle,,x,1,1\n".encode("latin-1"), "line 2: not UTF-8 text"),
    "exact contradiction": (HEADING + "a,,x,10,0\nb,x,,9,0\n", "exact values contradict each other: around node x"),
}


@pytest.mark.parametrize("fault", BAD)
def test_every_bad_table_says_why(tmp_path: Path, fault: str) -> None:
    content, words = BAD[fault]
    result = run(tmp_path, content)
    assert (result.exit_code, result.stdout) == (1, "")
    assert result.stderr.startswith("Error: ")
    assert words in result.stderr
    assert "Traceback" not in result.stderr


def test_all_faults_are_told_at_once(tmp_path: Path) -> None:
    result = run(tmp_path, HEADING + "a,x,x,1;5,-1\nb,,y,2,\n")
    assert all(
        words in result.stderr for words in ("line 2, to_node", "line 2, value_kg", "line 2, u_kg", "line 3, u_kg")
    )


def test_a_missing_file_is_refused_in_words(tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["reconcile", "--csv", str(tmp_path / "none.csv")])
    assert (result.exit_code, "cannot be read" in result.stderr) == (1, True)
