"""The extension is built, installed and enabled once, in a Blender without any user's settings.

Everything happens before test modules are imported, so that they may import ``bpy`` and, from the
wheel inside the zip, ``gaploft`` at their head.
"""

import importlib
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from types import ModuleType

import pytest

ROOT = Path(__file__).resolve().parents[2]
EXTENSION = "bl_ext.user_default.gaploft"

#: Blender reads this when it starts, which is when ``bpy`` is first imported.
USER_RESOURCES = Path(tempfile.mkdtemp(prefix="gaploft-blender-"))
os.environ["BLENDER_USER_RESOURCES"] = str(USER_RESOURCES)


def build_extension(folder: Path) -> Path:
    """Build the zip for this machine and this Python."""
    python = f"{sys.version_info.major}.{sys.version_info.minor}"
    build = [sys.executable, str(ROOT / "addon" / "build.py")]
    command = [*build, "--python", python, "--output-dir", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise pytest.UsageError(f"the extension can't be built: {done.stderr.strip()}")
    (zip_file,) = folder.glob("*.zip")
    return zip_file


def install_extension(zip_file: Path) -> None:
    """Install and enable the zip as a user would from disk."""
    import bpy

    try:
        bpy.ops.extensions.package_install_files(
            filepath=str(zip_file), repo="user_default", enable_on_install=True, overwrite=True
        )
    except RuntimeError as error:
        raise pytest.UsageError(f"the extension can't be installed and enabled: {error}") from error
    if EXTENSION not in bpy.context.preferences.addons:
        raise pytest.UsageError("the extension was installed, but could not be enabled")


def pytest_sessionstart(session: pytest.Session) -> None:
    """Build and install before anything is collected."""
    zip_file = build_extension(USER_RESOURCES / "dist")
    session.config.stash[ZIP_KEY] = zip_file
    install_extension(zip_file)


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """Note how the tests ended."""
    session.config.stash[STATUS_KEY] = int(exitstatus)


@pytest.hookimpl(trylast=True)
def pytest_unconfigure(config: pytest.Config) -> None:
    """Leave no temporary files, and leave at once.

    As Python ends, bpy 4.2 crashes when any operator or panel was registered, also an empty one, and bpy 4.5
    was seen to wait for ever while it frees what is static in it, after some runs of tests and not after the
    same steps in a script. Either would hide whether the tests have passed.
    """
    shutil.rmtree(USER_RESOURCES, ignore_errors=True)
    if STATUS_KEY in config.stash:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(config.stash[STATUS_KEY])


ZIP_KEY = pytest.StashKey[Path]()
STATUS_KEY = pytest.StashKey[int]()


@pytest.fixture(scope="session")
def extension_zip(pytestconfig: pytest.Config) -> Path:
    """Give the zip that was installed."""
    return pytestconfig.stash[ZIP_KEY]


@pytest.fixture(scope="session")
def extension() -> ModuleType:
    """Give the installed extension's package; its modules are attributes once imported."""
    return importlib.import_module(EXTENSION)


@pytest.fixture(autouse=True)
def fresh_file() -> None:
    """Start each test in an empty file with factory settings of the scene."""
    import bpy

    bpy.ops.wm.read_homefile(use_empty=True, use_factory_startup=True)


@pytest.fixture
def blender(fresh_file: None) -> ModuleType:
    """Give ``bpy`` in a fresh file."""
    import bpy

    return bpy
