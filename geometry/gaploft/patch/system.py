"""Sparse systems of the nodes' moves: assembled, factorised, solved."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import SuperLU, splu

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True)
class Pattern:
    """Where the local forms of nodes and their neighbours, ``near`` (n, k), go in one sparse matrix."""

    near: Indices

    @cached_property
    def members(self) -> Indices:
        """Neighbours and then the node itself, (n, k + 1)."""
        return np.column_stack([self.near, np.arange(len(self.near))])

    @cached_property
    def _layout(self) -> tuple[Indices, NDArray[np.int32], NDArray[np.int32]]:
        n, k = self.members.shape
        columns = np.repeat(self.members, k, axis=1).ravel()
        rows = np.tile(self.members, (1, k)).ravel()
        key, place = np.unique(columns * n + rows, return_inverse=True)
        starts = np.searchsorted(key, np.arange(n + 1) * n)
        return place.reshape(-1), (key % n).astype(np.int32), starts.astype(np.int32)

    def matrix(self, local: Floats) -> csc_matrix:
        """Sum of all local forms, (n, k + 1, k + 1), as one symmetric sparse matrix."""
        place, rows, starts = self._layout
        n = len(self.near)
        # Columns and rows change places in a symmetric form.
        return csc_matrix(
            (np.bincount(place, local.ravel(), minlength=len(rows)), rows, starts), shape=(n, n)
        )

    def vector(self, pull: Floats) -> Floats:
        """Sum of all local pulls, (n, k + 1), as one vector (n,)."""
        return np.asarray(
            np.bincount(self.members.ravel(), pull.ravel(), minlength=len(self.near)), np.float64
        )


@dataclass(frozen=True)
class Factor:
    """A symmetric positive definite matrix, factorised."""

    lu: SuperLU

    def solve(self, right: Floats) -> Floats:
        """Solve for one right-hand side (n,) or several (n, m)."""
        return np.asarray(self.lu.solve(right))

    @cached_property
    def log_determinant(self) -> float:
        """Logarithm of the determinant."""
        return float(np.log(np.abs(self.lu.U.diagonal())).sum())


def factorised(matrix: csc_matrix) -> Factor:
    """Factorise a symmetric positive definite sparse matrix, in an order that keeps its factors sparse."""
    return Factor(
        splu(matrix, permc_spec="MMD_AT_PLUS_A", diag_pivot_thresh=0.0, options={"SymmetricMode": True})
    )
