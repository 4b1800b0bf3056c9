"""Make the test-side helpers importable: this folder, and the sample scenes' scan maker."""

import sys
from pathlib import Path

_HERE = Path(__file__).resolve().parent
for _folder in (_HERE, _HERE.parent / "sample_scenes"):
    if str(_folder) not in sys.path:
        sys.path.insert(0, str(_folder))
