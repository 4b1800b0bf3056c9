"""What is loaded before the work begins: large libraries only where they are needed."""

import json
import subprocess
import sys

import numpy as np
import pytest
from scipy.special import chdtrc, fdtrc, stdtrit

#: What the command line imports for every job.
ALWAYS = (
    "import gaploft.job_file, gaploft.scan.read, gaploft.scan.mask, gaploft.pipeline, gaploft.report.outputs"
)

#: Takes as long to load as all the rest of SciPy; reads text STL, PLY and OBJ; pictures; the page.
NOT_ALWAYS = {"scipy.stats", "trimesh", "matplotlib", "jinja2", "tqdm"}


def test_large_libraries_are_loaded_only_where_they_are_needed():
    command = [sys.executable, "-c", f"{ALWAYS}; import sys, json; print(json.dumps(sorted(sys.modules)))"]
    loaded = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
    assert "scipy.interpolate" in loaded
    assert not NOT_ALWAYS & set(loaded)


@pytest.mark.parametrize("freedom", [(1, 3), (6, 40), (5, 900)])
def test_chances_against_the_distributions_themselves(freedom):
    """The functions that stand in for scipy.stats, with the order of their arguments."""
    from scipy import stats

    x = np.array([0.0, 0.3, 1.0, 4.0, 30.0])
    np.testing.assert_allclose(fdtrc(*freedom, x), stats.f.sf(x, *freedom), rtol=1e-10)
    np.testing.assert_allclose(chdtrc(freedom[0], x), stats.chi2.sf(x, freedom[0]), rtol=1e-10)
    np.testing.assert_allclose(stdtrit(freedom[1], 0.975), stats.t.ppf(0.975, freedom[1]), rtol=1e-10)
