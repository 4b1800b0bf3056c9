"""Wheels of the extension's zip: which ones, for which platform and Python, fetched by pip and kept.

NumPy stays out: Blender brings its own, which has to win.
"""

import platform as host
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
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

#: Blender 5.0 was the first without Intel Macs, so only Python 3.11 is to be served there.
INTEL_MAC_PYTHONS = ("3.11",)

#: Compiled wheels that are of one version for all Pythons.
ALIKE = ("kiwisolver==1.5.0", "markupsafe==3.0.3", "matplotlib==3.10.9", "pillow==12.3.0")

#: Python of a Blender -> its compiled wheels. Blender 4.2 to 5.0 have Python 3.11, and 4.2 has NumPy 1.24,
#: which SciPy 1.16, contourpy 1.3.3 and matplotlib 3.11 or later don't go with; Blender 5.1 and later have
#: Python 3.13.
COMPILED = {
    "3.11": ("scipy==1.15.3", "contourpy==1.3.2", *ALIKE),
    "3.13": ("scipy==1.18.1", "contourpy==1.3.3", *ALIKE),
    "3.14": ("scipy==1.18.1", "contourpy==1.3.3", *ALIKE),
}

#: Pure Python, the same wheel everywhere. ezdxf would be faster with its compiled part, and does without it;
#: what is not asked for by us is by matplotlib, Jinja2 and ezdxf.
PURE = (
    "threadpoolctl==3.8.0",
    "jinja2==3.1.6",
    "ezdxf==1.4.5",
    "typing-extensions==4.16.0",
    "cycler==0.12.1",
    "fonttools==4.63.0",
    "packaging==26.2",
    "pyparsing==3.3.2",
    "python-dateutil==2.9.0.post0",
    "six==1.17.0",
)


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


def pythons_on(platform: str, pythons: Sequence[str]) -> list[str]:
    """Leave out the Pythons that no Blender has on a platform."""
    kept = [python for python in pythons if platform != "macos-x64" or python in INTEL_MAC_PYTHONS]
    if not kept:
        raise BuildError(f"no Blender with Python {', '.join(pythons)} runs on {platform}")
    return kept


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


def needed_wheels(platform: str, pythons: Sequence[str]) -> list[Path]:
    """Fetch what the library needs beside NumPy: pure wheels once, compiled ones for each Python."""
    pure = ("--implementation", "py", "--abi", "none", "--platform", "any")
    found = fetched_wheels(PURE, "pure", (*pure, "--python-version", pythons[0]))
    tags = [option for tag in PLATFORM_TAGS[platform] for option in ("--platform", tag)]
    for python in pythons:
        short = python.replace(".", "")
        options = ("--implementation", "cp", "--python-version", short, "--abi", f"cp{short}", *tags)
        found += fetched_wheels(COMPILED[python], f"{platform}-{python}", options)
    return found


def fetched_wheels(requirements: Sequence[str], kind: str, options: Sequence[str]) -> list[Path]:
    """Fetch wheels without their dependencies, apart from those that the cache holds already.

    Several builds may fetch at the same time: a wheel comes into the cache only when it is whole.
    """
    folder = CACHE / kind
    missing = [requirement for requirement in requirements if not _kept(folder, requirement)]
    if missing:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=CACHE) as part:
            run_pip("download", "--only-binary=:all:", "--no-deps", *options, "--dest", part, *missing)
            for wheel in Path(part).glob("*.whl"):
                wheel.replace(folder / wheel.name)
    return [_kept(folder, requirement)[0] for requirement in requirements]


def _kept(folder: Path, requirement: str) -> list[Path]:
    """Wheels of a requirement in a folder; their names have underscores for dashes."""
    start = requirement.replace("-", "_").replace("==", "-") + "-"
    return [wheel for wheel in sorted(folder.glob("*.whl")) if wheel.name.lower().startswith(start)]
