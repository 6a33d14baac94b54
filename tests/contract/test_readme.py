"""Goal: the README's test command is the one that is tried for every change.

Method: `.ci/run` ends in that command, literally; the README must contain the same line.
"""

from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_readme_gives_the_command_that_the_build_server_runs():
    command = (ROOT / ".ci" / "run").read_text(encoding="utf-8").rstrip().splitlines()[-1]
    assert command.endswith(".venv/bin/pytest")

    readme_lines = [line.strip() for line in (ROOT / "README.md").read_text(encoding="utf-8").splitlines()]

    assert command in readme_lines
