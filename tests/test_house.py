"""How the house is laid out: who may import whom, and that what the documents promise exists.

These are rules of this project alone; no outside source is behind them.
"""

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LIBRARY = ROOT / "geometry" / "gaploft"
ADDON = ROOT / "addon" / "gaploft_addon"

#: Upstream first. A module imports from its own line or an earlier one.
FLOW = (
    {"errors", "progress"},
    {"checks"},
    {"scan", "job", "job_sources", "job_values", "job_shop", "job_ways", "job_patch"}
    | {"job_patch_file", "job_file"},
    {"tube"},
    {"surface"},
    {"evidence"},
    {"donor", "patch"},
    {"target"},
    {"laminate", "stock"},
    {"files"},
    {"shelf"},
    {"ways"},
    {"report"},
    {"shop", "patched"},
    {"pipeline"},
    {"one_job", "stopping"},
    {"batch"},
    {"shelf_command"},
    {"cli", "bar", "arguments"},
    {"__main__"},
)
RANK = {name: rank for rank, names in enumerate(FLOW) for name in names}

#: The surface is a spline and knows no scan: it fits whatever points and weights it is handed.
UNKNOWN_TO_SURFACE = {
    *("scan", "job", "job_sources", "job_values", "job_shop", "job_ways", "job_patch", "job_patch_file"),
    *("job_file", "tube"),
}

#: What an installed extension has: the standard library, the host's NumPy and its own wheels.
IN_EXTENSION = set(sys.stdlib_module_names) | {"numpy", "scipy", "threadpoolctl", "gaploft"}

LIBRARY_FILES = sorted(LIBRARY.rglob("*.py"))
ADDON_FILES = sorted(ADDON.rglob("*.py"))


def name_of(file: Path) -> str:
    """Name a test case by the file's place below its package."""
    return file.relative_to(file.parents[1] if file.parent in (LIBRARY, ADDON) else LIBRARY).as_posix()


def imported_names(tree: ast.AST) -> Iterator[tuple[str, int]]:
    """Give (dotted name, level) of all imports below ``tree``."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, 0) for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module, node.level
            yield from ((f"{node.module}.{alias.name}", node.level) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from ((alias.name, node.level) for alias in node.names)


def parsed(file: Path) -> ast.Module:
    """Read one source file."""
    return ast.parse(file.read_text(encoding="utf-8"))


def is_type_checking(node: ast.AST) -> bool:
    """Tell ``if TYPE_CHECKING:`` blocks, which do not run."""
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def stages_imported(file: Path) -> set[str]:
    """Name the parts of the library that a file of the library imports, those for types alone aside."""
    tree = parsed(file)
    for node in ast.walk(tree):
        if is_type_checking(node):
            node.body = []
    dotted = {name for name, _ in imported_names(tree) if name.split(".")[0] == "gaploft"}
    return {name.split(".")[1] for name in dotted if "." in name}


def stage_of(file: Path) -> str:
    """Name the part of the library that a file belongs to."""
    return file.relative_to(LIBRARY).with_suffix("").parts[0]


def test_library_and_addon_are_there():
    assert LIBRARY / "__init__.py" in LIBRARY_FILES
    assert ADDON / "__init__.py" in ADDON_FILES
    assert len(LIBRARY_FILES) > 10
    assert len(ADDON_FILES) > 3


@pytest.mark.parametrize("file", LIBRARY_FILES, ids=name_of)
def test_library_imports_only_upstream(file):
    stage = stage_of(file)
    if stage == "__init__":
        return  # the front door names what it likes; nothing inside goes through it
    assert stage in RANK, f"{stage} has no place in FLOW: give it one"
    downstream = {name for name in stages_imported(file) if RANK.get(name, -1) > RANK[stage]}
    assert not downstream, f"{stage} imports {downstream}, which lie down the line"


@pytest.mark.parametrize("file", LIBRARY_FILES, ids=name_of)
def test_library_does_not_go_through_its_own_front_door(file):
    for node in ast.walk(parsed(file)):
        if isinstance(node, ast.ImportFrom) and node.module == "gaploft" and node.level == 0:
            missing = [a.name for a in node.names if a.name not in RANK and a.name != "__version__"]
            assert not missing, f"import {missing} from the module that defines them"


@pytest.mark.parametrize("file", sorted((LIBRARY / "surface").rglob("*.py")), ids=name_of)
def test_surface_knows_no_scan(file):
    assert not stages_imported(file) & UNKNOWN_TO_SURFACE


@pytest.mark.parametrize("file", LIBRARY_FILES, ids=name_of)
def test_library_never_imports_blender(file):
    roots = {name.split(".")[0] for name, _ in imported_names(parsed(file))}
    assert not roots & {"bpy", "bmesh", "mathutils", "gpu", "blf"}


@pytest.mark.parametrize("file", LIBRARY_FILES, ids=name_of)
def test_library_needs_nothing_at_import_that_the_extension_lacks(file):
    """Pictures, pages and progress bars are imported inside the functions that need them."""
    if stage_of(file) in {"cli", "__main__"}:
        return  # the extension has no command line
    tree = parsed(file)
    inner = {
        id(node)
        for outer in ast.walk(tree)
        if isinstance(outer, ast.FunctionDef | ast.AsyncFunctionDef) or is_type_checking(outer)
        for node in ast.walk(outer)
    }
    at_import = [
        n for n in ast.walk(tree) if isinstance(n, ast.Import | ast.ImportFrom) and id(n) not in inner
    ]
    roots = {name.split(".")[0] for node in at_import for name, level in imported_names(node) if level == 0}
    assert not roots - IN_EXTENSION


@pytest.mark.parametrize("file", ADDON_FILES, ids=name_of)
def test_addon_imports_itself_relatively_and_the_core_absolutely(file):
    """An installed extension's package has another name than its source folder."""
    own = {module.stem for module in ADDON_FILES}
    for name, level in imported_names(parsed(file)):
        root = name.split(".")[0]
        if level == 0:
            assert root != "gaploft_addon"
            assert root == "gaploft" or root not in own - set(sys.stdlib_module_names)
        else:
            assert level == 1, "the add-on is one flat folder"
            assert root in own


def test_addon_flows_from_mesh_to_operators_to_panel():
    for file in ADDON_FILES:
        own = {name.split(".")[0] for name, level in imported_names(parsed(file)) if level == 1}
        if file.stem == "mesh_io":
            assert not {name for name in own if name == "panel" or name.startswith("ops_")}
        if file.stem.startswith("ops_"):
            assert "panel" not in own


def documents() -> list[Path]:
    """List the documents for people that hold shell snippets."""
    return [ROOT / "README.md", ROOT / "DEVELOPERS.md"]


def shell_lines(document: Path) -> list[str]:
    """Give the commands of a document's shell snippets, without prompts and comments."""
    text = document.read_text(encoding="utf-8")
    snippets = re.findall(r"^```(?:sh|bash|console|shell)\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
    lines = [line.strip().removeprefix("$ ") for snippet in snippets for line in snippet.splitlines()]
    return [line for line in lines if line and not line.startswith("#")]


@pytest.mark.parametrize("document", documents(), ids=lambda path: path.name)
def test_make_targets_in_documents_exist(document):
    targets = set(re.findall(r"^([a-z][a-z-]*):(?!=)", (ROOT / "Makefile").read_text(), flags=re.MULTILINE))
    named = [
        word
        for line in shell_lines(document)
        for command in re.split(r"&&|;", line)
        if command.split()[:1] == ["make"]
        for word in command.partition("#")[0].split()[1:]
        if "=" not in word
    ]
    assert named, f"{document.name} names no make target"
    assert set(named) <= targets


def test_commands_in_documents_exist():
    commands = {
        match.group(1)
        for document in documents()
        for line in shell_lines(document)
        if (match := re.search(r"(?:^|/)gaploft ([a-z]+)\b", line))
    }
    assert "rebuild" in commands
    for command in sorted(commands):
        done = subprocess.run(
            [
                sys.executable,
                "-c",
                "import sys; from gaploft.cli import main; sys.exit(main())",
                command,
                "-h",
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        assert command in done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="make setup is for Linux and macOS")
@pytest.mark.parametrize(
    ("answer", "sentence"),
    [
        (None, "setup: {python} does not run here; install it or name another"),
        ("3.9", "setup: {python} is Python 3.9, but 3.11 or newer is needed"),
    ],
    ids=["missing", "too old"],
)
def test_setup_refuses_a_python_in_one_sentence(tmp_path, answer, sentence):
    python = tmp_path / "python"
    if answer:
        python.write_text(f'#!/bin/sh\ncase "$2" in *print*) echo {answer};; *) exit 1;; esac\n')
        python.chmod(0o755)
    command = [str(ROOT / "tools" / "venv.sh"), str(python), str(tmp_path / "venv")]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert done.stderr.startswith(sentence.format(python=python))
    assert done.stderr.count("\n") == 1
    assert not (tmp_path / "venv").exists()


def test_licence_is_the_whole_gpl():
    text = (ROOT / "LICENSE").read_text(encoding="utf-8")
    assert "GNU GENERAL PUBLIC LICENSE\n                       Version 3, 29 June 2007" in text
    assert "END OF TERMS AND CONDITIONS" in text
    assert re.search(r"\b17\. Interpretation of Sections 15 and 16\.", text)


def project_texts() -> list[Path]:
    """List the text files of the project as git knows them."""
    listing = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    files = [ROOT / name for name in listing.stdout.split("\0") if name]
    kinds = {".py", ".md", ".toml", ".in", ".sh", ".html", ".json", ".yml", ".yaml", ".txt", ""}
    return [file for file in files if file.is_file() and file.suffix in kinds]


def test_no_file_names_a_place_on_somebodys_machine():
    personal = re.compile(r"(?<![\w.>)/-])/(?:home|root|tmp|work|Users|mnt|private)/\w|\b[A-Z]:\\Users")
    found = [
        f"{file.relative_to(ROOT)}: {line.strip()}"
        for file in project_texts()
        if file != Path(__file__)
        for line in file.read_text(encoding="utf-8").splitlines()
        if personal.search(line)
    ]
    assert not found
