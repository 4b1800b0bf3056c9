"""The pages that the accuracy benchmark writes: all tables, and the short one for the README."""

import platform
from collections.abc import Mapping, Sequence
from importlib import metadata

from accuracy_figures import OURS, SILENT_MM, Row, silently_bad
from accuracy_tables import by_adversity, by_length, by_tool
from measuring import markdown_table

#: What the figures depend on, beside the tools' own packages.
_PACKAGES = ("numpy", "scipy", "cadquery-ocp-novtk", "trimesh")


def versions(packages: Sequence[str], blender: str | None) -> dict[str, str]:
    """Versions of everything that had a part in the figures."""
    found = {"python": platform.python_version()}
    for name in dict.fromkeys((OURS, *_PACKAGES, *packages)):
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found | ({"bpy": blender} if blender else {})


def full_report(rows: Sequence[Row], titles: Mapping[str, str], used: Mapping[str, str]) -> str:
    """All tables as Markdown; goals stand in brackets."""
    parts = ["# Accuracy\n", _used(used)]
    for heading, lines in (
        ("Plain cases, goals in brackets", by_length(rows, adverse=False)),
        ("Under adversities, goals in brackets", by_length(rows, adverse=True)),
        ("Every tool on the plain cases", by_tool(rows, titles)),
        ("Adversities one by one", by_adversity(rows)),
    ):
        if lines:
            parts.append(f"## {heading}\n\n{markdown_table(lines)}")
    parts.append(f"## Silently bad\n\n{_silent(rows)}")
    failed = [row for row in rows if str(row.get("note", "")).startswith("failed")]
    if failed:
        parts.append("## Failed\n\n" + "".join(f"- {_named(row)}: {row['note']}\n" for row in failed))
    return "\n".join(parts)


def readme_table(rows: Sequence[Row], used: Mapping[str, str]) -> str:
    """The short table for the README: the kept-out half of the plain cases, with versions.

    The other half is in the same table of the full report.
    """
    kept = (
        "gap, diameters",
        "targets",
        "rms mm",
        "worst mm",
        "in 95 % band",
        "best general mm",
        "general ÷ ours",
    )
    lines = [
        {name: line[name] for name in kept}
        for line in by_length(rows, adverse=False)
        if line["half"] == "kept out"
    ]
    return (markdown_table(lines) + "\n" if lines else "") + _used(used)


def _used(used: Mapping[str, str]) -> str:
    return "Measured with " + ", ".join(f"{name} {version}" for name, version in used.items()) + ".\n"


def _silent(rows: Sequence[Row]) -> str:
    bad = silently_bad(rows)
    if not bad:
        return f"None: no case with a point more than {SILENT_MM} mm off was called ready.\n"
    return "".join(f"- {_named(row)}: worst {row['zone_max_mm']:.3f} mm\n" for row in bad)


def _named(row: Row) -> str:
    return (
        f"{row['family']} {row['variant']}, gap {row['gap_mm']:.0f} mm, seed {row['seed']}, "
        f"{row['adversity']}, {row['tool']}"
    )
