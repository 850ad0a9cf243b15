"""One surface crossing every ray once, at the least total cost: a minimum cut.

The graph is that of Ishikawa 2003 (IEEE TPAMI 25:1333) on the ray mesh of Li, Wu, Chen and Sonka 2006 (IEEE
TPAMI 28:119): a chain of nodes per ray, neighbouring chains tied by capacities that charge every step of
difference, so that the cut is the global optimum over all rays together.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

from ..base import Floats

_SCALE = 200.0
_WALL = 2**28


def mesh_edges(faces: NDArray[Any]) -> NDArray[Any]:
    """(E, 2) undirected edges of triangles (F, 3), each once."""
    pairs = np.concatenate([faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [0, 2]]])
    return np.unique(np.sort(pairs, axis=1), axis=0)


def optimal_levels(cost: Floats, edges: NDArray[Any], smoothness: float) -> NDArray[Any]:
    """Level (N,) int of each ray that minimises the sum of costs and of ``smoothness * |difference|`` over edges.

    Parameters
    ----------
    cost : (N, L) cost of placing the surface of ray n at level l; finite.
    edges : (E, 2) neighbouring rays.
    smoothness : cost of one level of difference between neighbours.
    """
    rays, levels = cost.shape
    if levels < 2:
        return np.zeros(rays, int)
    price = np.round((cost - cost.min(axis=1, keepdims=True) + 1.0) * _SCALE).astype(np.int64)
    price = np.minimum(price, _WALL // 4)
    tie = max(round(smoothness * _SCALE), 0)
    inner = levels - 1
    source, sink = rays * inner, rays * inner + 1
    ray = np.arange(rays)
    node = ray[:, None] * inner + np.arange(inner)
    tails = [np.full(rays, source), node[:, -1]]
    heads = [node[:, 0], np.full(rays, sink)]
    capacity = [price[:, 0], price[:, -1]]
    if inner > 1:
        tails += [node[:, :-1].ravel(), node[:, 1:].ravel()]
        heads += [node[:, 1:].ravel(), node[:, :-1].ravel()]
        capacity += [price[:, 1:-1].ravel(), np.full(rays * (inner - 1), _WALL)]
    for a, b in ((0, 1), (1, 0)):
        tails.append(node[edges[:, a]].ravel())
        heads.append(node[edges[:, b]].ravel())
        capacity.append(np.full(len(edges) * inner, tie))
    graph = csr_matrix(
        (
            np.concatenate(capacity).astype(np.int32),
            (np.concatenate(tails).astype(np.int32), np.concatenate(heads).astype(np.int32)),
        ),
        shape=(sink + 1, sink + 1),
    )
    flow = maximum_flow(graph, source, sink).flow
    residual = graph - flow
    residual.data = np.where(residual.data > 0, 1, 0)
    residual.eliminate_zeros()
    reached = np.zeros(sink + 1, bool)
    reached[breadth_first_order(residual, source, return_predecessors=False)] = True
    return np.asarray(reached[:source].reshape(rays, inner).sum(axis=1))
