"""Goal: an installed package works without the checkout, with its migrations, demo data and examples inside.

Method: build the wheel, install it in a new virtual environment, and run the commands a new user runs from a
folder elsewhere. The new environment borrows the installed dependencies by a path file instead of downloading
them; the project itself it can only have from the wheel, because the path file of the editable install is not
followed from there.
"""

from __future__ import annotations

import os
import subprocess
import sys
import sysconfig
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
BUNDLED = ("migrations", "seed_data", "openapi_examples")


def run(*command: str | Path, cwd: Path) -> str:
    """Run a command without the shell's own settings, expect exit status 0, return what it printed."""
    kept = {
        name: value
        for name, value in os.environ.items()
        if not name.startswith("BALE_TO_PELLET_") and name != "PYTHONPATH"
    }
    result = subprocess.run(
        [str(part) for part in command], cwd=cwd, env=kept, capture_output=True, text=True, check=False
    )
    assert result.returncode == 0, f"{command}\n{result.stdout}{result.stderr}"
    return result.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from the checkout by the installed build backend."""
    target = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", target, ROOT, cwd=target)
    (built,) = target.glob("*.whl")
    return built


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the programs of a virtual environment that has the wheel installed."""
    environment = tmp_path_factory.mktemp("installed") / "venv"
    venv.create(environment, with_pip=False)
    programs = environment / ("Scripts" if sys.platform == "win32" else "bin")
    python = programs / Path(sys.executable).name
    pip: list[str | Path] = [sys.executable, "-m", "pip", "--python", python, "install", "--quiet"]
    run(*pip, "--no-deps", "--no-index", wheel, cwd=environment)
    # After the installation: before it, pip would see the editable install and call the wheel installed.
    site_packages = run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", cwd=environment).strip()
    borrowed = {sysconfig.get_path("purelib"), sysconfig.get_path("platlib")}
    (Path(site_packages) / "borrowed_dependencies.pth").write_text("\n".join(sorted(borrowed)) + "\n")
    return programs


@pytest.mark.parametrize("folder", BUNDLED)
def test_wheel_carries_the_files_needed_at_run_time(wheel: Path, folder: str):
    in_checkout = {
        path.relative_to(ROOT).as_posix()
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert in_checkout

    in_wheel = {name.removeprefix("service/_bundled/") for name in zipfile.ZipFile(wheel).namelist()}

    assert in_checkout <= in_wheel


def test_installed_package_runs_outside_the_checkout(installed: Path, tmp_path: Path):
    python = installed / Path(sys.executable).name
    command = installed / "bale-to-pellet"
    imported_from = run(python, "-c", "import service; print(service.__file__)", cwd=tmp_path).strip()
    assert Path(imported_from).is_relative_to(installed.parent)

    run(command, "migrate", cwd=tmp_path)
    lot_code = run(command, "demo", "--load-only", cwd=tmp_path).splitlines()[-1]
    run(command, "verify", cwd=tmp_path)

    assert 1 <= len(lot_code) <= 10
    assert lot_code == lot_code.upper()
