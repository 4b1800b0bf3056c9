"""Build the Blender extension: one zip per platform, ready to be installed from disk.

A zip holds the add-on, its manifest, the library as a wheel, and the wheels it needs beside the
NumPy that Blender brings. Same source, same bytes. Needs nothing but Python and pip.
"""

import argparse
import json
import platform as host
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

ROOT = Path(__file__).resolve().parent.parent
ADDON = ROOT / "addon" / "gaploft_addon"
MANIFEST = ROOT / "addon" / "blender_manifest.toml.in"
CACHE = ROOT / ".cache" / "wheels"

#: Blender's name of a platform -> the tags of the wheels that run there, the wished-for first.
PLATFORM_TAGS = {
    "linux-x64": (
        "manylinux_2_28_x86_64",
        "manylinux_2_27_x86_64",
        "manylinux_2_17_x86_64",
        "manylinux2014_x86_64",
    ),
    "windows-x64": ("win_amd64",),
    "macos-arm64": ("macosx_12_0_arm64", "macosx_11_0_arm64"),
    "macos-x64": ("macosx_10_14_x86_64", "macosx_10_13_x86_64"),
}

#: Python of a Blender -> SciPy for it. Blender 4.2 to 5.0 have Python 3.11, and 4.2 has NumPy 1.24,
#: which SciPy 1.16 and later can't be imported with; Blender 5.1 and later have Python 3.13.
SCIPY_OF_PYTHON = {"3.11": "1.15.3", "3.13": "1.18.1", "3.14": "1.18.1"}

#: Blender 5.0 was the first without Intel Macs, so only Python 3.11 is to be served there.
INTEL_MAC_PYTHONS = ("3.11",)

#: Pure Python, the same wheel everywhere. NumPy stays out: the host's own must win.
PURE_WHEELS = ("threadpoolctl==3.8.0",)

#: What Python, editors and systems leave in a source folder.
HIDDEN = re.compile(r"(^|/)(\.|__pycache__/)")

#: Blender's own extension tool inside a virtual environment with a bpy wheel.
VALIDATOR = "[Ll]ib/**/site-packages/bpy/*/scripts/addons_core/bl_pkg/cli/blender_ext.py"

#: The oldest date a zip can state, so that building again gives the same bytes.
ZIP_DATE = (1980, 1, 1, 0, 0, 0)


class BuildError(Exception):
    """One sentence for the person who builds."""


def this_platform() -> str:
    """Name this machine as Blender does."""
    machine = {"amd64": "x64", "x86_64": "x64", "arm64": "arm64", "aarch64": "arm64"}
    system = {"Darwin": "macos"}.get(host.system(), host.system().lower())
    name = f"{system}-{machine.get(host.machine().lower(), host.machine())}"
    if name not in PLATFORM_TAGS:
        raise BuildError(f"no wheels are known for {name}; name a platform of {', '.join(PLATFORM_TAGS)}")
    return name


def project_version() -> str:
    """Read the version that library and extension share."""
    return str(tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"])


def run_pip(*arguments: str) -> None:
    """Call pip, silent unless it fails."""
    command = [sys.executable, "-m", "pip", *arguments, "--quiet", "--disable-pip-version-check"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode:
        raise BuildError(f"pip {arguments[0]} failed:\n{done.stderr.strip()}")


def library_wheel(folder: Path) -> Path:
    """Build the wheel of the library into ``folder``."""
    run_pip("wheel", "--no-deps", "--wheel-dir", str(folder), str(ROOT))
    (wheel,) = folder.glob("gaploft-*.whl")
    return wheel


def fetched_wheel(requirement: str, *, python: str | None = None, platform: str | None = None) -> Path:
    """Fetch one wheel without its dependencies, or take it from the cache."""
    folder = CACHE / "-".join(filter(None, (requirement.replace("==", "-"), python, platform)))
    kept = sorted(folder.glob("*.whl"))
    if kept:
        return kept[0]
    options: list[str] = []
    if python and platform:
        short = python.replace(".", "")
        options = ["--implementation", "cp", "--python-version", short, "--abi", f"cp{short}"]
        for tag in PLATFORM_TAGS[platform]:
            options += ["--platform", tag]
    CACHE.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=CACHE) as part:
        run_pip("download", "--only-binary=:all:", "--no-deps", *options, "--dest", part, requirement)
        folder.mkdir(exist_ok=True)
        for wheel in Path(part).glob("*.whl"):
            wheel.rename(folder / wheel.name)
    return next(folder.glob("*.whl"))


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


def pythons_on(platform: str, pythons: Sequence[str]) -> list[str]:
    """Leave out the Pythons that no Blender has on a platform."""
    kept = [python for python in pythons if platform != "macos-x64" or python in INTEL_MAC_PYTHONS]
    if not kept:
        raise BuildError(f"no Blender with Python {', '.join(pythons)} runs on {platform}")
    return kept


def build(platforms: Sequence[str], pythons: Sequence[str], output: Path) -> list[Path]:
    """Build one zip for each platform, each for all the Pythons, and return their paths."""
    if not (ADDON / "__init__.py").is_file():
        raise BuildError(f"{ADDON} holds no __init__.py, so there is no add-on to build")
    served = {platform: pythons_on(platform, pythons) for platform in platforms}
    output.mkdir(parents=True, exist_ok=True)
    validator = find_validator()
    files = []
    with tempfile.TemporaryDirectory() as scratch:
        shared = [library_wheel(Path(scratch)), *(fetched_wheel(name) for name in PURE_WHEELS)]
        for platform, pythons_here in served.items():
            scipy = [
                fetched_wheel(f"scipy=={SCIPY_OF_PYTHON[python]}", python=python, platform=platform)
                for python in pythons_here
            ]
            file = output / f"gaploft-{project_version()}-{platform.replace('-', '_')}.zip"
            write_zip(file, platform, shared + scipy)
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
        choices=list(SCIPY_OF_PYTHON),
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
