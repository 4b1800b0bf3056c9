"""Blender's properties are annotations, which newer Pythons evaluate late and inside the class.

Python 3.14 looks a name in an annotation up in the class first (PEP 649, deferred evaluation of annotations,
2021), so that a method hides a module of the same name.
"""

import ast
from pathlib import Path

import pytest

ADDON = Path(__file__).resolve().parent.parent / "addon" / "gaploft_addon"


def hidden_names(source: str) -> list[tuple[str, str]]:
    """Class and name of what an annotation says and the class itself defines."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ClassDef):
            annotated = [item for item in node.body if isinstance(item, ast.AnnAssign)]
            said = {
                part.id
                for item in annotated
                for part in ast.walk(item.annotation)
                if isinstance(part, ast.Name)
            }
            found += [(node.name, name) for name in sorted(said & defined(node))]
    return found


def defined(node: ast.ClassDef) -> set[str]:
    """Names of methods and values of a class; a bare annotation gives none."""
    names = {item.name for item in node.body if isinstance(item, ast.FunctionDef | ast.ClassDef)}
    targets = [target for item in node.body if isinstance(item, ast.Assign) for target in item.targets]
    return names | {target.id for target in targets if isinstance(target, ast.Name)}


@pytest.mark.parametrize("file", sorted(ADDON.glob("*.py")), ids=lambda file: file.stem)
def test_no_class_hides_a_name_of_its_own_annotations(file):
    assert not hidden_names(file.read_text(encoding="utf-8"))


def test_a_hidden_name_is_found():
    source = "class A:\n    a: f(update=live.changed)\n    b: g()\n    def live(self): ...\n    g = 1\n"
    assert hidden_names(source) == [("A", "g"), ("A", "live")]
