"""The built zip, judged by Blender's own extension tool and by what is inside."""

import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import bpy
import pytest

VALIDATOR = Path(bpy.utils.system_resource("SCRIPTS")) / "addons_core/bl_pkg/cli/blender_ext.py"


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
    import numpy
    import scipy
    import threadpoolctl

    import gaploft.errors

    extensions = Path(bpy.utils.user_resource("EXTENSIONS"))
    for module in (gaploft.errors, scipy, threadpoolctl):
        assert Path(module.__file__).is_relative_to(extensions)
    assert not Path(numpy.__file__).is_relative_to(extensions)
    assert not [wheel for wheel in manifest["wheels"] if "numpy" in wheel]


def test_extension_serves_the_oldest_blender_it_names(manifest):
    assert manifest["blender_version_min"] == "4.2.0"
    assert manifest["permissions"].keys() == {"files"}
