"""The extension's builder: manifest, wheels, same bytes, and its refusals.

What a manifest must hold is Blender's own rule; its tool judges the real zip in ``addon/``.
"""

import importlib.util
import sys
import tomllib
import zipfile
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.fixture
def builder(monkeypatch) -> ModuleType:
    """Give the build script as a fresh module."""
    spec = importlib.util.spec_from_file_location("gaploft_build", ROOT / "addon" / "build.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "gaploft_build", module)
    spec.loader.exec_module(module)
    return module


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
def test_platform_names_are_blenders(builder, monkeypatch, system, machine, name):
    monkeypatch.setattr(builder.host, "system", lambda: system)
    monkeypatch.setattr(builder.host, "machine", lambda: machine)
    assert builder.this_platform() == name


def test_unknown_machine_is_refused_with_what_can_be_named(builder, monkeypatch):
    monkeypatch.setattr(builder.host, "system", lambda: "Plan9")
    monkeypatch.setattr(builder.host, "machine", lambda: "mips")
    with pytest.raises(builder.BuildError, match="plan9-mips; name a platform of linux-x64"):
        builder.this_platform()


def test_failing_pip_is_told(builder, tmp_path):
    with pytest.raises(builder.BuildError, match="pip download failed"):
        builder.run_pip("download", "--no-index", "--dest", str(tmp_path), "gaploft-is-not-there")


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
