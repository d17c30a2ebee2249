"""`deploy/try` and `deploy/test` name what they lack in one line, and touch nothing that is there."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
TOOLS = ("cat", "cksum", "dirname", "ls", "rm", "sed", "sh", "tr")


@pytest.fixture
def clone(tmp_path: Path) -> Path:
    """As much of a fresh clone as the scripts look at before they install anything."""
    folder = tmp_path / "clone"
    shutil.copytree(TOP / "deploy", folder / "deploy")
    shutil.copy(TOP / "pyproject.toml", folder)
    return folder


def _run(clone: Path, script: str, *arguments: str, path: Path | None = None, **more: str) -> tuple[int, list[str]]:
    """Exit status and the lines on standard error. `path`: the only folder in which programs are found."""
    environment = {"PATH": str(path) if path is not None else os.environ["PATH"], **more}
    shell = shutil.which("sh")
    assert shell is not None
    done = subprocess.run(
        [shell, str(clone / "deploy" / script), *arguments],
        env=environment,
        cwd=clone,
        capture_output=True,
        text=True,
        check=False,
    )
    return done.returncode, done.stderr.splitlines()


def _tools(folder: Path, python: str) -> Path:
    """A folder with the plain tools and a `python3` that is this shell script."""
    folder.mkdir()
    for name in TOOLS:
        found = shutil.which(name)
        assert found is not None
        (folder / name).symlink_to(found)
    (folder / "python3").write_text(f"#!{shutil.which('sh')}\n{python}\n")
    (folder / "python3").chmod(0o755)
    return folder


@pytest.mark.parametrize("script", ["try", "test"])
def test_a_shim_with_no_interpreter_behind_it_is_no_python(clone: Path, tmp_path: Path, script: str) -> None:
    status, lines = _run(clone, script, path=_tools(tmp_path / "bin", "echo 'version not set' >&2; exit 127"))
    assert status == 2
    assert len(lines) == 1
    assert "Python 3.11 or newer is needed" in lines[0]
    assert not (clone / ".venv").exists()


def test_a_python_without_venv_is_named_with_the_cure(clone: Path, tmp_path: Path) -> None:
    lacking = 'case "$2" in *ensurepip*) exit 1 ;; *) exit 0 ;; esac'
    status, lines = _run(clone, "test", path=_tools(tmp_path / "bin", lacking))
    assert status == 2
    assert len(lines) == 1
    assert "python3 lacks the module venv" in lines[0]


def test_an_interpreter_that_is_named_and_will_not_do_is_said(clone: Path) -> None:
    status, lines = _run(clone, "test", PYTHON="/bin/false")
    assert status == 2
    assert lines == [f"{clone}/deploy/test: $PYTHON (/bin/false) is not Python 3.11 or newer"]


def test_a_trial_never_goes_into_a_folder_in_use(clone: Path) -> None:
    (clone / "try").mkdir()
    (clone / "try" / "mine.txt").write_text("mine")
    status, lines = _run(clone, "try")
    assert status == 2
    assert lines == [f"{clone}/deploy/try: try is there already: remove it (rm -r try) or name another folder"]
    assert (clone / "try" / "mine.txt").read_text() == "mine"


@pytest.mark.parametrize("script", ["try", "test", "environment"])
def test_the_scripts_are_for_any_posix_shell(script: str) -> None:
    shells = [found for name in ("dash", "bash", "busybox") if (found := shutil.which(name))]
    assert shells
    for shell in shells:
        arguments = ["sh", "-n"] if shell.endswith("busybox") else ["-n"]
        done = subprocess.run([shell, *arguments, str(TOP / "deploy" / script)], capture_output=True, check=False)
        assert done.returncode == 0, done.stderr


def test_every_pinned_version_satisfies_what_the_project_asks_for() -> None:
    import tomllib

    from packaging.requirements import Requirement

    pinned = {}
    for line in (TOP / "deploy" / "constraints.txt").read_text("ascii").splitlines():
        name, _, version = line.partition("==")
        assert version, line
        pinned[name.lower().replace("_", "-")] = version
    project = tomllib.loads((TOP / "pyproject.toml").read_text("utf-8"))
    asked = [*project["project"]["dependencies"], *project["build-system"]["requires"]]
    asked += [one for extra in project["project"]["optional-dependencies"].values() for one in extra]
    for text in asked:
        wanted = Requirement(text)
        name = wanted.name.lower().replace("_", "-")
        assert name in pinned, f"{wanted.name} has no pinned version"
        assert wanted.specifier.contains(pinned[name]), text
