"""Argument checks: what passes through unchanged, and that each refusal is a ValueError."""

import numpy as np
import pytest

from gaploft.checks import as_faces, as_points, as_positive, as_vector


def test_good_arguments_come_back_in_the_library_types():
    assert as_points([[1, 2, 3]]).dtype == np.float64
    assert as_points([[1, 2]], dim=2).shape == (1, 2)
    assert as_vector([1, 2, 3]).tolist() == [1.0, 2.0, 3.0]
    assert as_faces(np.array([[0, 1, 2]], dtype=np.uint8), 3).dtype == np.int32
    assert as_faces(np.zeros((0, 3), dtype=np.int32), 0).shape == (0, 3)
    assert as_positive(np.float32(2.0)) == 2.0


@pytest.mark.parametrize(
    "call",
    [
        lambda: as_points([1.0, 2.0, 3.0]),
        lambda: as_points([[1.0, 2.0]]),
        lambda: as_points([[1.0, np.nan, 2.0]]),
        lambda: as_vector([1.0, 2.0]),
        lambda: as_vector([1.0, 2.0, np.inf]),
        lambda: as_faces([0, 1, 2], 3),
        lambda: as_faces([[0, 1, 2.5]], 3),
        lambda: as_faces([[0, 1, 3]], 3),
        lambda: as_faces([[0, 1, -1]], 3),
        lambda: as_positive(0.0),
        lambda: as_positive(-1.0),
        lambda: as_positive(np.inf),
        lambda: as_positive(np.nan),
    ],
)
def test_wrong_arguments_are_value_errors(call):
    with pytest.raises(ValueError):
        call()
