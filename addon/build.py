"""Build the Blender extension: one zip per platform, ready to be installed from disk.

A zip holds the add-on, its manifest, the library as a wheel, and the wheels it needs beside the
NumPy that Blender brings. Same source, same bytes. Needs nothing but Python and pip.
"""

import argparse
import json
import re
import shutil
import string
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from collections.abc import Sequence
from pathlib import Path

from wheels import (
    CACHE,
    COMPILED,
    PLATFORM_TAGS,
    ROOT,
    BuildError,
    library_wheel,
    needed_wheels,
    pythons_on,
    this_platform,
)

ADDON = ROOT / "addon" / "gaploft_addon"
MANIFEST = ROOT / "addon" / "blender_manifest.toml.in"

#: What Python, editors and systems leave in a source folder.
HIDDEN = re.compile(r"(^|/)(\.|__pycache__/)")

#: Blender's own extension tool inside a virtual environment with a bpy wheel.
VALIDATOR = "[Ll]ib/**/site-packages/bpy/*/scripts/addons_core/bl_pkg/cli/blender_ext.py"

#: The oldest date a zip can state, so that building again gives the same bytes.
ZIP_DATE = (1980, 1, 1, 0, 0, 0)


def project_version() -> str:
    """Read the version that library and extension share."""
    return str(tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"])


def manifest_text(platform: str, wheels: Sequence[Path]) -> str:
    """Fill the manifest in; lists of strings are written alike in JSON and TOML."""
    names = [f"./wheels/{wheel.name}" for wheel in wheels]
    template = string.Template(MANIFEST.read_text(encoding="utf-8"))
    return template.substitute(
        version=project_version(), platforms=json.dumps([platform]), wheels=json.dumps(names, indent=2)
    )


def addon_sources() -> list[Path]:
    """List what of the add-on's folder belongs into the zip: no caches, nothing hidden."""
    files = sorted(path for path in ADDON.rglob("*") if path.is_file())
    return [file for file in files if not HIDDEN.search(file.relative_to(ADDON).as_posix())]


def write_zip(file: Path, platform: str, wheels: Sequence[Path]) -> None:
    """Write the extension beside its final place first, then move it there."""
    entries = {"blender_manifest.toml": manifest_text(platform, wheels).encode()}
    entries |= {path.relative_to(ADDON).as_posix(): path.read_bytes() for path in addon_sources()}
    entries["LICENSE"] = (ROOT / "LICENSE").read_bytes()
    entries |= {f"wheels/{wheel.name}": wheel.read_bytes() for wheel in wheels}
    part = file.with_suffix(".part")
    with zipfile.ZipFile(part, "w") as archive:
        for name in sorted(entries):
            info = zipfile.ZipInfo(name, ZIP_DATE)
            info.external_attr = 0o100644 << 16
            info.compress_type = zipfile.ZIP_STORED if name.endswith(".whl") else zipfile.ZIP_DEFLATED
            archive.writestr(info, entries[name])
    part.replace(file)


def find_validator() -> Path | None:
    """Find Blender's own extension tool in a bpy wheel: of this Python, or of the test environment."""
    for prefix in (Path(sys.prefix), ROOT / ".venv-blender"):
        found = sorted(prefix.glob(VALIDATOR))
        if found:
            return found[-1]
    return None


def validate(file: Path, validator: Path) -> None:
    """Let Blender's own tool judge a zip."""
    command = [sys.executable, str(validator), "validate", str(file)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise BuildError(f"Blender's validator refuses {file}:\n{done.stdout}{done.stderr}".strip())


def build(platforms: Sequence[str], pythons: Sequence[str], output: Path) -> list[Path]:
    """Build one zip for each platform, each for all the Pythons, and return their paths."""
    if not (ADDON / "__init__.py").is_file():
        raise BuildError(f"{ADDON} holds no __init__.py, so there is no add-on to build")
    served = {platform: pythons_on(platform, pythons) for platform in platforms}
    output.mkdir(parents=True, exist_ok=True)
    validator = find_validator()
    files = []
    with tempfile.TemporaryDirectory() as scratch:
        library = library_wheel(Path(scratch))
        for platform, pythons_here in served.items():
            file = output / f"gaploft-{project_version()}-{platform.replace('-', '_')}.zip"
            write_zip(file, platform, [library, *needed_wheels(platform, pythons_here)])
            if validator:
                validate(file, validator)
            files.append(file)
    return files


def main(arguments: Sequence[str] | None = None) -> int:
    """Build from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--platform", choices=[*PLATFORM_TAGS, "all"], help="default: this machine's")
    parser.add_argument(
        "--python",
        nargs="+",
        choices=list(COMPILED),
        default=["3.11", "3.13"],
        help="Python versions of the Blenders to serve (default: 3.11 3.13)",
    )
    parser.add_argument("--output-dir", type=Path, default=ROOT / "dist")
    parser.add_argument("--clear-cache", action="store_true", help="fetch all wheels anew")
    options = parser.parse_args(arguments)
    try:
        if options.clear_cache:
            shutil.rmtree(CACHE, ignore_errors=True)
        asked = options.platform or this_platform()
        platforms = list(PLATFORM_TAGS) if asked == "all" else [asked]
        files = build(platforms, options.python, options.output_dir)
    except BuildError as error:
        print(f"build: {error}", file=sys.stderr)
        return 2
    for file in files:
        print(f"{file}  {file.stat().st_size / 1e6:.1f} MB")
    if find_validator() is None:
        print("not validated: no bpy wheel is at hand (make setup brings one)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
