"""Print the requirements of one extra of pyproject.toml, for ``pip install -r``.

The environment for Blender gets the extra without the library: there the library has to come out
of the extension's zip, as it does for users.
"""

import sys
import tomllib
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent

if __name__ == "__main__":
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    print("\n".join(project["optional-dependencies"][sys.argv[1]]))
