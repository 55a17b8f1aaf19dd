"""What nodeday is made of, and that nothing leaves the machine."""

from __future__ import annotations

import ast
import re
import socket
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from conftest import FINISHED_SCENARIO, ROOT, simulated
from packaging.requirements import Requirement

from nodeday.cli.main import main
from nodeday.core.errors import GOOD

sys.path.insert(0, str(ROOT / "requirements"))
import licences

LOCKS = sorted((ROOT / "requirements").glob("*.txt"))
NETWORK = {
    "socket",
    "ssl",
    "http",
    "urllib",
    "ftplib",
    "smtplib",
    "requests",
    "socketserver",
    "xmlrpc",
    "asyncio",
}
ALLOWED = {"products/viewer/server.py", "engine/prefork.py"}
"""The day view serves this machine, see tests/test_viewer.py for whom it answers; stages are kept warm
behind a Unix socket."""


def pins(lock: Path) -> list[tuple[Requirement, int]]:
    """Each pinned package of a lock file, with the number of its hashes."""
    parts = re.split(r"^(?=[A-Za-z0-9])", lock.read_text(encoding="utf-8"), flags=re.MULTILINE)
    return [
        (Requirement(part.splitlines()[0].rstrip(" \\")), part.count("--hash=sha256:"))
        for part in parts
        if part[:1].isalnum()
    ]


@pytest.mark.parametrize("lock", LOCKS, ids=lambda lock: lock.name)
def test_every_package_is_pinned_by_version_and_hash(lock: Path) -> None:
    found = pins(lock)
    assert len(found) > 50
    loose = [str(pin) for pin, hashes in found if not hashes or not str(pin.specifier).startswith("==")]
    assert not loose


def test_what_is_asked_for_is_locked_within_its_bounds() -> None:
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["dependencies"]
    locked = {}
    for pin, _ in pins(ROOT / "requirements" / "run.txt"):
        locked.setdefault(pin.name, []).append(str(pin.specifier).removeprefix("=="))
    for text in told:
        asked = Requirement(text)
        assert asked.specifier, f"{text} has no lower bound"
        assert all(asked.specifier.contains(version) for version in locked[asked.name]), text


def test_every_import_is_asked_for() -> None:
    """A package that only came along with another one may go with it."""
    told = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    asked = {Requirement(text).name.replace("-", "_") for text in told["dependencies"]}
    asked |= {Requirement(text).name for texts in told["optional-dependencies"].values() for text in texts}
    asked |= {"yaml", "markupsafe", "pydantic_core"}  # of pyyaml, jinja2 and pydantic
    strangers = set()
    for path in (ROOT / "workflow" / "nodeday").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [each.name for each in node.names] if isinstance(node, ast.Import) else []
            names += [node.module] if isinstance(node, ast.ImportFrom) and node.module else []
            tops = {name.split(".")[0] for name in names} - set(sys.stdlib_module_names) - {"nodeday"}
            strangers |= tops - asked
    assert not strangers


def test_the_list_of_licences_is_in_step() -> None:
    if strays := licences.strays():
        pytest.skip(f"other versions than the locked ones are installed: {', '.join(strays)}")
    stored = (ROOT / "requirements" / "LICENCES.md").read_text(encoding="utf-8")
    assert stored == licences.table(), "run `make generated`"
    assert "not stated" not in stored


def test_only_the_day_view_names_a_socket() -> None:
    found = set()
    for path in (ROOT / "workflow" / "nodeday").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = [each.name for each in node.names] if isinstance(node, ast.Import) else []
            names += [node.module] if isinstance(node, ast.ImportFrom) and node.module else []
            if any(name.split(".")[0] in NETWORK and name != "urllib.parse" for name in names):
                found.add(path.relative_to(ROOT / "workflow" / "nodeday").as_posix())
    assert found <= ALLOWED


def test_a_session_is_processed_without_a_network(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stages and pages with every connection refused; a library that called home would fail here."""
    folder = simulated(tmp_path / "study", FINISHED_SCENARIO)

    def refused(*arguments: object, **others: object) -> None:
        raise AssertionError(f"a connection was tried: {arguments}")

    for name in ("connect", "connect_ex", "sendto", "bind"):
        monkeypatch.setattr(socket.socket, name, refused)
    monkeypatch.setattr(socket, "getaddrinfo", refused)
    for stage in ("frames", "clock", "loss", "repair", "features", "study", "report", "index"):
        assert main(["stage", stage, "S02-lossy", "--study", str(folder)]) == GOOD
    page = (folder / "results" / "report" / "S02-lossy.html").read_text(encoding="utf-8")
    asks = re.findall(r"""(?:src|href|url|action)\s*[=(]\s*["']?((?:https?:)?//[^"')\s>]+)""", page)
    assert not asks


def test_starting_brings_no_network_library_along() -> None:
    program = (
        "import sys; import nodeday.cli.main, nodeday.cli.headings, nodeday.cli.serve; "
        "print(sorted({'ssl', 'requests', 'http'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"
