"""The extension's builder: manifest, wheels, same bytes, and its refusals.

What a manifest must hold is Blender's own rule; its tool judges the real zip in ``addon/``.
"""

import importlib.util
import re
import sys
import tomllib
import zipfile
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parent.parent


def loaded(monkeypatch, name: str) -> ModuleType:
    """Give a script of ``addon/`` as a fresh module."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "addon" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, name, module)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def fetcher(monkeypatch) -> ModuleType:
    """Give the module that chooses and fetches wheels."""
    return loaded(monkeypatch, "wheels")


@pytest.fixture
def builder(monkeypatch, fetcher) -> ModuleType:
    """Give the build script."""
    return loaded(monkeypatch, "build")


@pytest.fixture
def wheels(tmp_path) -> list[Path]:
    """Give two files that stand for wheels."""
    files = [tmp_path / "gaploft-0.1.0-py3-none-any.whl", tmp_path / "scipy-1.0-cp311-cp311-any.whl"]
    for file in files:
        file.write_bytes(file.name.encode())
    return files


def test_manifest_states_version_platform_and_wheels(builder, wheels):
    manifest = tomllib.loads(builder.manifest_text("linux-x64", wheels))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert manifest["id"] == project["name"] == "gaploft"
    assert manifest["version"] == project["version"]
    assert manifest["license"] == [f"SPDX:{project['license']}"]
    assert manifest["platforms"] == ["linux-x64"]
    assert manifest["wheels"] == [f"./wheels/{wheel.name}" for wheel in wheels]


def test_zip_holds_addon_manifest_licence_and_wheels(builder, wheels, tmp_path):
    builder.write_zip(tmp_path / "x.zip", "linux-x64", wheels)
    with zipfile.ZipFile(tmp_path / "x.zip") as archive:
        names = set(archive.namelist())
        manifest = tomllib.loads(archive.read("blender_manifest.toml").decode())
    assert {"__init__.py", "LICENSE"} <= names
    assert {name for name in names if name.endswith(".whl")} == {name[2:] for name in manifest["wheels"]}
    assert not [name for name in names if "__pycache__" in name or "numpy" in name]
    assert not (tmp_path / "x.part").exists()


def test_same_source_gives_same_bytes(builder, wheels, tmp_path):
    for name in ("a.zip", "b.zip"):
        builder.write_zip(tmp_path / name, "linux-x64", wheels)
        wheels[0].touch()
    assert (tmp_path / "a.zip").read_bytes() == (tmp_path / "b.zip").read_bytes()


def test_hidden_files_and_caches_stay_out(builder, tmp_path, monkeypatch):
    for name in ("__init__.py", ".secret", "__pycache__/x.pyc", "icons/a.svg", ".git/config"):
        file = tmp_path / "addon" / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text("")
    monkeypatch.setattr(builder, "ADDON", tmp_path / "addon")
    listed = [file.relative_to(tmp_path / "addon").as_posix() for file in builder.addon_sources()]
    assert listed == ["__init__.py", "icons/a.svg"]


@pytest.mark.parametrize(
    ("system", "machine", "name"),
    [
        ("Linux", "x86_64", "linux-x64"),
        ("Windows", "AMD64", "windows-x64"),
        ("Darwin", "arm64", "macos-arm64"),
        ("Darwin", "x86_64", "macos-x64"),
    ],
)
def test_platform_names_are_blenders(fetcher, monkeypatch, system, machine, name):
    monkeypatch.setattr(fetcher.host, "system", lambda: system)
    monkeypatch.setattr(fetcher.host, "machine", lambda: machine)
    assert fetcher.this_platform() == name


def test_unknown_machine_is_refused_with_what_can_be_named(fetcher, monkeypatch):
    monkeypatch.setattr(fetcher.host, "system", lambda: "Plan9")
    monkeypatch.setattr(fetcher.host, "machine", lambda: "mips")
    with pytest.raises(fetcher.BuildError, match="plan9-mips; name a platform of linux-x64"):
        fetcher.this_platform()


def test_failing_pip_is_told(fetcher, tmp_path):
    with pytest.raises(fetcher.BuildError, match="pip download failed"):
        fetcher.run_pip("download", "--no-index", "--dest", str(tmp_path), "gaploft-is-not-there")


@pytest.fixture
def pip_calls(fetcher, tmp_path, monkeypatch) -> list[tuple[str, ...]]:
    """Let pip be a note of how it was called that leaves empty wheels, named as pip's own were."""
    calls = []

    def run_pip(*arguments: str) -> None:
        calls.append(arguments)
        folder = Path(arguments[arguments.index("--dest") + 1])
        for requirement in arguments[arguments.index("--dest") + 2 :]:
            name, version = requirement.split("==")
            (folder / f"{name.replace('-', '_')}-{version}-tags.whl").touch()

    monkeypatch.setattr(fetcher, "CACHE", tmp_path / "cache")
    monkeypatch.setattr(fetcher, "run_pip", run_pip)
    return calls


def test_pure_wheels_come_once_and_compiled_ones_for_each_python(fetcher, pip_calls):
    names = [wheel.name for wheel in fetcher.needed_wheels("linux-x64", ["3.11", "3.13"])]
    assert len(names) == len(fetcher.PURE) + 2 * len(fetcher.COMPILED["3.11"])
    assert names.count("python_dateutil-2.9.0.post0-tags.whl") == 1
    assert "contourpy-1.3.2-tags.whl" in names
    assert "contourpy-1.3.3-tags.whl" in names
    assert [call[call.index("--python-version") + 1] for call in pip_calls] == ["3.11", "311", "313"]
    assert not [name for name in names if name.startswith("numpy")]


def test_only_wheels_that_the_cache_lacks_are_fetched(fetcher, pip_calls):
    first = fetcher.needed_wheels("windows-x64", ["3.13"])
    pip_calls.clear()
    assert fetcher.needed_wheels("windows-x64", ["3.13"]) == first
    assert not pip_calls
    lost = next(wheel for wheel in first if wheel.name.startswith("scipy"))
    lost.unlink()
    assert fetcher.needed_wheels("windows-x64", ["3.13"]) == first
    ((*_, last),) = pip_calls
    assert last.startswith("scipy==")


def test_half_fetched_wheels_do_not_come_into_the_cache(fetcher, pip_calls, monkeypatch):
    run_pip = fetcher.run_pip

    def broken_off(*arguments: str) -> None:
        run_pip(*arguments)
        raise fetcher.BuildError("pip download failed")

    monkeypatch.setattr(fetcher, "run_pip", broken_off)
    with pytest.raises(fetcher.BuildError):
        fetcher.needed_wheels("linux-x64", ["3.11"])
    assert not list(fetcher.CACHE.rglob("*.whl"))


def test_wheels_are_named_with_one_version_each(fetcher):
    """Same source, same bytes: a range of versions would be another zip next week."""
    for requirement in (*fetcher.PURE, *(name for names in fetcher.COMPILED.values() for name in names)):
        assert re.fullmatch(r"[a-z0-9-]+==[0-9][0-9a-z.]*", requirement)


def test_zip_that_the_validator_refuses_is_told(builder, tmp_path):
    validator = tmp_path / "validator.py"
    validator.write_text("print('tagline: too long'); raise SystemExit(1)")
    with pytest.raises(builder.BuildError, match=r"refuses .*x\.zip:\ntagline: too long"):
        builder.validate(tmp_path / "x.zip", validator)


def test_folder_without_addon_is_refused(builder, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(builder, "ADDON", tmp_path)
    assert builder.main(["--platform", "linux-x64", "--output-dir", str(tmp_path / "out")]) == 2
    assert "holds no __init__.py" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_python_that_no_blender_has_there_is_refused(builder, tmp_path, capsys):
    """The vendor's release notes of 5.0 end the support of Intel Macs (from memory)."""
    arguments = ["--platform", "macos-x64", "--python", "3.13", "--output-dir", str(tmp_path / "out")]
    assert builder.main(arguments) == 2
    assert "no Blender with Python 3.13 runs on macos-x64" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
