"""The wheel holds all that Padpost needs, and runs from any folder.

The checkout reads mappings/ beside the code; a wheel has it inside the package. Only an installed wheel can show that.
The wheel goes into a new environment whose libraries are those of the running one, reached by a .pth file. A .pth line
puts the folder on sys.path but runs no .pth file inside it, so the editable install of the checkout (which is itself such a
file) is not seen, and `bridge` can only come from the wheel; the first test of the installation asserts that.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import sysconfig
import venv
import zipfile
from email.parser import Parser
from pathlib import Path

import pytest

import bridge

ROOT = Path(__file__).parents[1]
DEMO_S = 150  # the morning takes some 8 seconds; its own deadline is 90


def run(*command: str, cwd: Path, timeout_s: int = 60) -> subprocess.CompletedProcess[str]:
    """Run a command away from the checkout, in surroundings that name nothing of this environment; temporary files go to ``cwd``."""
    surroundings = {"PATH": os.defpath, "LANG": "C.UTF-8", "HOME": str(cwd), "TMPDIR": str(cwd)}
    return subprocess.run(command, cwd=cwd, env=surroundings, capture_output=True, text=True, timeout=timeout_s, check=False)


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel from a copy of the sources: neither a stale build/ of the checkout goes in, nor is one left there."""
    sources = tmp_path_factory.mktemp("sources")
    for folder in ("bridge", "mappings"):
        shutil.copytree(ROOT / folder, sources / folder, ignore=shutil.ignore_patterns("__pycache__"))
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, sources / name)
    out = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "pip", "wheel", ".", "--no-deps", "--no-build-isolation", "--no-index", "-w", str(out)]
    built = run(*build, cwd=sources, timeout_s=120)
    assert built.returncode == 0, built.stdout + built.stderr
    (found,) = out.iterdir()
    return found


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Install the wheel into a new environment outside the checkout; give the environment's folder."""
    home = tmp_path_factory.mktemp("installed") / "venv"
    venv.create(home, with_pip=False, symlinks=True)
    python = str(home / "bin" / "python")
    install = [sys.executable, "-m", "pip", "--python", python, "install", "--no-deps", "--no-index", "-q", str(wheel)]
    done = run(*install, cwd=home)
    assert done.returncode == 0, done.stdout + done.stderr
    (packages,) = home.glob("lib/python3*/site-packages")
    (packages / "libraries.pth").write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return home


def test_every_file_of_the_package_is_in_the_wheel(wheel: Path) -> None:
    """Code, pages, mappings and migrations: each file of the checkout has its place in the wheel, byte for byte, and no other."""
    with zipfile.ZipFile(wheel) as archive:
        held = {name: archive.read(name) for name in archive.namelist() if ".dist-info/" not in name}
    expected = {
        f"{place}{path.relative_to(ROOT / folder).as_posix()}": path.read_bytes()
        for folder, place in (("bridge", "bridge/"), ("mappings", "bridge/mappings/"))
        for path in sorted((ROOT / folder).rglob("*"))
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert sorted(held) == sorted(expected)
    assert [name for name in expected if held[name] != expected[name]] == []
    for sort in (
        "mappings/profiles/brook.yaml",
        "pages/templates/",
        "pages/static/",
        "store/migrations/versions/m0001",
        "py.typed",
    ):
        assert [name for name in held if name.startswith(f"bridge/{sort}")], sort


def test_the_wheel_says_what_it_is(wheel: Path) -> None:
    """Name, version, licence and the libraries it needs, of which no test library is one (Core metadata 2.x, PyPA specification)."""
    with zipfile.ZipFile(wheel) as archive:
        (name,) = (name for name in archive.namelist() if name.endswith(".dist-info/METADATA"))
        fields = Parser().parsestr(archive.read(name).decode("utf-8"))
        licences = [name for name in archive.namelist() if name.endswith(".dist-info/licenses/LICENSE")]
    assert (fields["Name"], fields["Version"], fields["License-Expression"]) == ("padpost", bridge.__version__, "Apache-2.0")
    assert len(licences) == 1
    needed = [line for line in fields.get_all("Requires-Dist", []) if "extra ==" not in line]
    assert [line for line in needed if line.startswith(("pytest", "setuptools", "playwright"))] == []
    assert [line for line in needed if line.startswith("fastapi")] != []


def test_the_installed_program_is_the_wheels(installed: Path, tmp_path: Path) -> None:
    """Else the tests below would show the checkout's files at work, and prove nothing of the wheel."""
    where = run(str(installed / "bin" / "python"), "-c", "import bridge; print(bridge.__file__)", cwd=tmp_path)
    assert where.returncode == 0, where.stderr
    assert Path(where.stdout.strip()).is_relative_to(installed)
    version = run(str(installed / "bin" / "padpost"), "--version", cwd=tmp_path)
    assert (version.returncode, version.stdout.split()[-1]) == (0, bridge.__version__)


def test_the_installed_demo_comes_to_its_known_truth(installed: Path, tmp_path: Path) -> None:
    """Migrations, mappings, pages and the way out all run from the wheel, in a folder that holds nothing of ours."""
    demo = run(str(installed / "bin" / "padpost"), "demo", "--once", "--port", "0", cwd=tmp_path, timeout_s=DEMO_S)
    assert demo.returncode == 0, demo.stdout[-2000:] + demo.stderr[-2000:]
    assert "received = sent on + controls + copies + waiting + cannot be sent: 76 = 76" in demo.stdout
    assert [path.name.startswith("padpost-demo-") for path in tmp_path.iterdir()] == [True]
