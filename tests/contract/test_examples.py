"""Goal: every example in openapi_examples/ is what the service really answers, to the last digit.

Method: replay the files in the order of their names against an empty database on either engine, with the
clock, the salts and the request ids fixed, and compare status, media type, headers and the whole body.
"""

import pytest
from story import Story

from service.app import create_app
from service.db import Database
from service.examples import NamedExample, load_examples
from service.settings import Settings


def test_the_story_is_answered_as_written(database_url: str) -> None:
    database = Database(database_url)
    story = Story(database)
    examples = load_examples()
    assert len(examples) >= 60
    for named in examples:
        answer = story.send(named.name, named.example)
        assert answer == named.example.response, named.name
    database.close()


def test_the_story_is_told_in_order_of_time() -> None:
    times = [named.example.received_at for named in load_examples()]
    assert times == sorted(times)


def test_every_operation_has_an_example_that_succeeds() -> None:
    document = create_app(Settings("sqlite://", "https://trace.example.com")).openapi()
    operations = {f"{method} {path}" for path, found in document["paths"].items() for method in found}
    shown = {named.example.operation for named in load_examples() if named.example.response.status < 300}
    assert shown == operations


REFUSED = [named for named in load_examples() if named.example.response.status >= 400]


@pytest.mark.parametrize("named", REFUSED, ids=lambda named: named.name)
def test_a_refused_example_says_what_to_do(named: NamedExample) -> None:
    response = named.example.response
    assert response.content_type == "application/problem+json"
    assert response.body["status"] == response.status
    assert response.body["remedy"]
    assert all(finding["remedy"] for finding in response.body["errors"])
