"""The built zip, judged by Blender's own extension tool and by what is inside."""

import email
import importlib
import io
import re
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import bpy
import numpy as np
import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

VALIDATOR = Path(bpy.utils.system_resource("SCRIPTS")) / "addons_core/bl_pkg/cli/blender_ext.py"
#: What the library asks for on the command line alone: Blender reads meshes and shows progress itself.
NOT_IN_BLENDER = {"trimesh", "tqdm"}


def validated(file: Path) -> subprocess.CompletedProcess[str]:
    """Run Blender's own check of an extension."""
    command = [sys.executable, str(VALIDATOR), "validate", str(file)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture
def manifest(extension_zip) -> dict:
    """Give the manifest inside the zip."""
    with zipfile.ZipFile(extension_zip) as archive:
        return tomllib.loads(archive.read("blender_manifest.toml").decode())


def test_blender_finds_the_zip_valid(extension_zip):
    done = validated(extension_zip)
    assert done.returncode == 0, done.stdout + done.stderr


def test_blender_would_have_found_a_fault(extension_zip, tmp_path):
    """Blender asks for a tagline without a final full stop: the check above can fail."""
    broken = tmp_path / "broken.zip"
    with zipfile.ZipFile(extension_zip) as good, zipfile.ZipFile(broken, "w") as bad:
        for name in good.namelist():
            data = good.read(name)
            if name == "blender_manifest.toml":
                data = data.replace(b'the damage"', b'the damage."')
            bad.writestr(name, data)
    assert validated(broken).returncode != 0


def test_libraries_come_out_of_the_zip_and_numpy_from_the_host(manifest):
    extensions = Path(bpy.utils.user_resource("EXTENSIONS"))
    for name in ("gaploft.errors", "scipy", "threadpoolctl", "jinja2", "markupsafe", "matplotlib", "PIL"):
        assert Path(importlib.import_module(name).__file__).is_relative_to(extensions), name
    assert not Path(np.__file__).is_relative_to(extensions)
    assert not [wheel for wheel in manifest["wheels"] if "numpy" in wheel]


def test_each_wheel_finds_in_the_zip_what_it_asks_for(extension_zip):
    """The wheels' own lists of requirements are held against the wheels beside them and Blender's NumPy."""
    asked = requirements_of(extension_zip)
    versions = {name: version for name, version, _ in asked} | {"numpy": np.__version__}
    for name, _, requirements in asked:
        for text in requirements:
            requirement = Requirement(text)
            if name == "gaploft" and requirement.name in NOT_IN_BLENDER:
                continue
            if requirement.marker is None or requirement.marker.evaluate({"extra": ""}):
                found = versions[canonicalize_name(requirement.name)]
                assert requirement.specifier.contains(found), f"{name} asks for {text}, there is {found}"


def test_all_of_the_library_is_in_the_zip(extension_zip):
    source = Path(__file__).resolve().parents[2] / "geometry"
    files = {
        path.relative_to(source).as_posix()
        for path in (source / "gaploft").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    with zipfile.ZipFile(extension_zip) as archive:
        (name,) = (name for name in archive.namelist() if name.startswith("wheels/gaploft-"))
        wheel = zipfile.ZipFile(io.BytesIO(archive.read(name)))
        assert files <= set(wheel.namelist())


def requirements_of(zip_file):
    """Name, version and requirements of each wheel in a zip."""
    found = []
    with zipfile.ZipFile(zip_file) as archive:
        for name in archive.namelist():
            if name.endswith(".whl"):
                wheel = zipfile.ZipFile(io.BytesIO(archive.read(name)))
                (path,) = (p for p in wheel.namelist() if re.fullmatch(r"[^/]+\.dist-info/METADATA", p))
                metadata = email.message_from_bytes(wheel.read(path))
                requirements = metadata.get_all("Requires-Dist", [])
                found.append((canonicalize_name(metadata["Name"]), metadata["Version"], requirements))
    return found


def test_extension_serves_the_oldest_blender_it_names(manifest):
    assert manifest["blender_version_min"] == "4.2.0"
    assert manifest["permissions"].keys() == {"files"}
