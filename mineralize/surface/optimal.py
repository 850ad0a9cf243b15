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
    low, high = pairs.min(axis=1).astype(np.int64), pairs.max(axis=1).astype(np.int64)
    # One number for each pair, in the order of the pairs: rows take much longer to sort.
    count = int(high.max(initial=0)) + 1
    found = np.unique(low * count + high)
    return np.stack([found // count, found % count], axis=1).astype(faces.dtype)


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
    low, high = _band(price, edges, tie)
    price, levels = price[:, low : high + 1], high + 1 - low
    if levels < 2:
        return np.full(rays, low)
    degree = np.bincount(edges.ravel(), minlength=rays)
    kept = price <= _reachable(price, tie * degree[:, None])
    source, sink, group = _merged(kept)
    # A chain per ray: the arcs that are cut are the levels that are kept.
    at, level = np.nonzero(kept)
    before = np.where(level > 0, group[at, np.maximum(level - 1, 0)], source)
    after = np.where(level < levels - 1, group[at, np.minimum(level, levels - 2)], sink)
    inward = (before != source) & (after != sink)
    tails, heads, capacity = [before, after[inward]], [after, before[inward]], [price[at, level]]
    capacity.append(np.full(int(inward.sum()), _WALL))
    for a, b in ((0, 1), (1, 0)):
        tail, head = group[edges[:, a]].ravel(), group[edges[:, b]].ravel()
        open_ = (tail != head) & (tail != sink) & (head != source)
        tails.append(tail[open_])
        heads.append(head[open_])
        capacity.append(np.full(int(open_.sum()), tie))
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
    return np.asarray(low + reached[group].sum(axis=1))


def _band(price: NDArray[Any], edges: NDArray[Any], tie: int) -> tuple[int, int]:
    """The lowest and the highest level that the best surface can reach, as narrow as a few small cuts show.

    A surface cut off at a level costs no more between rays. Where no set of rays would lose by it more than its border
    costs, which is a cut through one node a ray, the best surface lies on this side of the level.
    """
    middle = int(np.median(price.argmin(axis=1)))
    # Of equal surfaces the lowest is taken: from below a level must be worse to be cut off, from above only no better.
    high = _lowest_cap(price, edges, tie, middle, strict=False)
    turned = price[:, high::-1]
    low = high - _lowest_cap(turned, edges, tie, high - min(middle, high), strict=True)
    return low, high


def _lowest_cap(price: NDArray[Any], edges: NDArray[Any], tie: int, middle: int, *, strict: bool) -> int:
    """A level that no best surface goes beyond: sought in growing steps from where most rays are cheapest, then by
    halving the last step. (A level farther off need not do where a nearer one does.)"""
    last = price.shape[1] - 1
    fails, holds, step = middle - 1, middle, 1
    while holds < last and not _caps(price, edges, tie, holds, strict=strict):
        fails, holds, step = holds, min(holds + step, last), 2 * step
    while holds - fails > 1:
        tried = (fails + holds) // 2
        if _caps(price, edges, tie, tried, strict=strict):
            holds = tried
        else:
            fails = tried
    return holds


def _caps(price: NDArray[Any], edges: NDArray[Any], tie: int, level: int, *, strict: bool) -> bool:
    """Whether no set of rays gains by going beyond a level, ``tie`` paid for each edge out of the set."""
    gain = price[:, level] - price[:, level + 1 :].min(axis=1) + int(strict)
    wanting = gain > 0
    total = int(gain[wanting].sum())
    if total == 0:
        return True
    if int(gain.sum()) > 0 or total >= 2**31:  # the library counts in 32 bits
        return False
    rays = len(price)
    ray = np.arange(rays)
    tails = np.concatenate([np.full(int(wanting.sum()), rays), ray[~wanting], edges[:, 0], edges[:, 1]])
    heads = np.concatenate([ray[wanting], np.full(int((~wanting).sum()), rays + 1), edges[:, 1], edges[:, 0]])
    capacity = np.concatenate([gain[wanting], -gain[~wanting], np.full(2 * len(edges), tie)])
    graph = csr_matrix(
        (capacity.astype(np.int32), (tails.astype(np.int32), heads.astype(np.int32))), shape=(rays + 2, rays + 2)
    )
    return bool(maximum_flow(graph, rays, rays + 1).flow_value == total)


def _reachable(price: NDArray[Any], step: NDArray[Any]) -> NDArray[Any]:
    """What a ray would pay at most at each level (N, L), if it went to any other and paid ``step`` (N, 1) a level.

    A level that costs more is no part of a best surface: going there can cost its neighbours no more than that.
    """
    least = price.copy()
    for k in range(1, price.shape[1]):
        np.minimum(least[:, k], least[:, k - 1] + step[:, 0], out=least[:, k])
    for k in range(price.shape[1] - 2, -1, -1):
        np.minimum(least[:, k], least[:, k + 1] + step[:, 0], out=least[:, k])
    return least


def _merged(kept: NDArray[np.bool_]) -> tuple[int, int, NDArray[Any]]:
    """Source, sink, and the node (N, L - 1) of every place between two levels; without a level kept between them
    places share a node, at the ends with source and sink."""
    passed = np.cumsum(kept[:, :-1], axis=1)
    inner = kept.sum(axis=1) - 1
    first = np.concatenate([[0], np.cumsum(inner)])
    source, sink = int(first[-1]), int(first[-1]) + 1
    node = first[:-1, None] + passed - 1
    node = np.where(passed == 0, source, np.where(passed > inner[:, None], sink, node))
    return source, sink, node
