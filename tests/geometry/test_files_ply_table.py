"""Tables as PLY: what is not a number is a value like any other, and has to come back."""

import numpy as np

from gaploft.files.ply_table import write_table


def test_values_that_are_no_number_come_back(tmp_path):
    """Stock where nothing was measured is not a number, which is unlike itself."""
    path = tmp_path / "stock.ply"
    written = write_table(
        path, ["gaploft"], {"x": np.arange(3.0), "stock": np.array([0.1, np.nan, -0.2])}, None
    )
    assert path.read_bytes() == written
    back = np.frombuffer(written[-24:], dtype="<f4").reshape(3, 2)
    assert np.isnan(back[1, 1])
    np.testing.assert_array_equal(back[[0, 2]], np.float32([[0.0, 0.1], [2.0, -0.2]]))
