"""Goal: the table of DEVELOPERS.md leads from every URL to its route, its verb or query and the arithmetic below.

Method: compared both ways with the paths of the OpenAPI document, which hold the routers' full paths; every name
is imported, and the route's own text must name the verb.
"""

import inspect
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from service.app import create_app
from service.settings import Settings

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"
START, END = "<!-- routes -->", "<!-- /routes -->"
NONE = "—"


@dataclass(frozen=True)
class Row:
    url: str
    route: str
    verb: str
    core: str


def rows() -> list[Row]:
    table = PAGE.read_text(encoding="utf-8").partition(START)[2].partition(END)[0].strip().splitlines()
    assert table[0] == "| URL | route | verb or query | core |"
    return [Row(*(cell.strip(" `") for cell in line.strip("|").split("|"))) for line in table[2:]]


def named(dotted: str) -> Any:
    """What stands under a dotted name below `service`: a function, or a method of a class."""
    parts = dotted.split(".")
    for length in range(len(parts) - 1, 0, -1):
        try:
            found: Any = import_module(".".join(["service", *parts[:length]]))
        except ModuleNotFoundError:
            continue
        for part in parts[length:]:
            found = getattr(found, part)
        return found
    raise AssertionError(f"there is no module on the way to {dotted}")


def test_table_and_document_list_the_same_operations() -> None:
    paths = create_app(Settings("sqlite://", "https://trace.example.com")).openapi()["paths"]
    served = {
        f"{method.upper()} {path}": found["operationId"] for path, of in paths.items() for method, found in of.items()
    }
    listed = {row.url: row.route for row in rows()}
    assert len(listed) == len(rows())
    assert sorted(listed) == sorted(served)
    for url, route in listed.items():
        # FastAPI makes the operation id of the route's function and its path.
        assert served[url].startswith(route.rpartition(".")[2] + "_"), url


@pytest.mark.parametrize("row", rows(), ids=lambda row: row.url)
def test_the_names_of_a_row_exist_and_belong_together(row: Row) -> None:
    route = named(row.route)
    assert callable(route)
    if row.verb != NONE:
        assert callable(named(row.verb))
        assert row.verb.rpartition(".")[2] in inspect.getsource(route)
    if row.core != NONE:
        assert row.core.startswith("core.")
        assert callable(named(row.core))


def test_a_name_that_does_not_exist_is_noticed() -> None:
    with pytest.raises(AttributeError):
        named("plant.record.record_castle")
