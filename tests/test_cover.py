"""The covering solver against exhaustive search, against known optima, and against its own promises."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import scipy.sparse as sparse
from hypothesis import given, settings
from hypothesis import strategies as st

from roof3d.place.bound import grain, lift, relax
from roof3d.place.cover import Effort, gap, solve_cover
from roof3d.place.reduce import maximal_columns, minimal_rows, reduce_cover, separate_parts
from roof3d.place.search import greedy_cover, improve
from roof3d.place.stronger import ask_stronger
from roof3d.place.swap import MEMBERS, OPEN, make_state, scores, swap
from roof3d.place.tied import groups, solve_tied, tie_matrix


def exhaustive(matrix: np.ndarray, cost: np.ndarray, ties: np.ndarray | None = None) -> float:
    """Least cost over all subsets of columns; the check that owes nothing to the solver."""
    rows, columns = matrix.shape
    best = np.inf
    for mask in range(1 << columns):
        pick = [j for j in range(columns) if mask >> j & 1]
        value = float(cost[pick].sum())
        if value >= best or not (matrix[:, pick].any(axis=1).all() if rows else True):
            continue
        if ties is not None and pick and not connected(pick, ties):
            continue
        best = value
    return best


def connected(pick: list[int], ties: np.ndarray) -> bool:
    seen, todo = {pick[0]}, [pick[0]]
    while todo:
        at = todo.pop()
        for other in pick:
            if other not in seen and ties[at, other]:
                seen.add(other)
                todo.append(other)
    return len(seen) == len(pick)


def together_in_parts(pick: list[int], ties: np.ndarray) -> bool:
    """Whether the columns hang together within each part of the graph of all ties."""
    left = set(range(len(ties)))
    while left:
        part, todo = set(), [min(left)]
        while todo:
            at = todo.pop()
            if at not in part:
                part.add(at)
                todo += [int(other) for other in np.flatnonzero(ties[at])]
        left -= part
        inside = [j for j in pick if j in part]
        if inside and not connected(inside, ties):
            return False
    return True


def exhaustive_in_parts(matrix: np.ndarray, cost: np.ndarray, ties: np.ndarray) -> float:
    columns = matrix.shape[1]
    best = np.inf
    for mask in range(1 << columns):
        pick = [j for j in range(columns) if mask >> j & 1]
        value = float(cost[pick].sum())
        if value < best and matrix[:, pick].any(axis=1).all() and together_in_parts(pick, ties):
            best = value
    return best


@st.composite
def instances(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray]:
    rows = draw(st.integers(1, 14))
    columns = draw(st.integers(1, 9))
    density = draw(st.sampled_from([0.15, 0.3, 0.5]))
    rng = np.random.default_rng(draw(st.integers(0, 10**6)))
    matrix = rng.random((rows, columns)) < density
    matrix[np.arange(rows), rng.integers(columns, size=rows)] = True
    kind = draw(st.sampled_from(["one", "whole", "cents"]))
    cost = {
        "one": np.ones(columns),
        "whole": rng.integers(1, 6, columns).astype(float),
        "cents": rng.integers(100, 900, columns) / 100,
    }[kind]
    return matrix, cost


@settings(max_examples=150, deadline=None)
@given(instances())
def test_small_instances_against_exhaustive_search(instance: tuple[np.ndarray, np.ndarray]) -> None:
    matrix, cost = instance
    cover = solve_cover(sparse.csr_array(matrix.astype(np.int8)), cost)
    truth = exhaustive(matrix, cost)
    assert matrix[:, cover.chosen].any(axis=1).all()
    assert cover.best == pytest.approx(truth, abs=1e-6)
    assert cover.bound <= truth + 1e-6
    assert cover.proven
    assert not cover.stopped


@settings(max_examples=200, deadline=None)
@given(instances(), st.integers(0, 10**6))
def test_tied_covers_against_exhaustive_search(instance: tuple[np.ndarray, np.ndarray], seed: int) -> None:
    matrix, cost = instance
    columns = matrix.shape[1]
    rng = np.random.default_rng(seed)
    ties = np.triu(rng.random((columns, columns)) < rng.choice([0.15, 0.35]), 1)
    ties = ties | ties.T
    truth = exhaustive(matrix, cost, ties)
    cover, notes = solve_tied(
        sparse.csr_array(matrix.astype(np.int8)), cost, sparse.csr_array(ties.astype(np.int8))
    )
    assert matrix[:, cover.chosen].any(axis=1).all()
    if np.isfinite(truth) and not notes:
        assert connected(list(cover.chosen), ties)
        assert cover.bound <= truth + 1e-6
        if cover.proven:
            assert cover.best == pytest.approx(truth, abs=1e-6)
    if notes:  # no connected cover exists at all: that is what is said, and each part is kept together
        assert not np.isfinite(truth)
        parts = exhaustive_in_parts(matrix, cost, ties)
        assert together_in_parts(list(cover.chosen), ties)
        assert cover.bound <= parts + 1e-6
        assert cover.best >= parts - 1e-6
        if cover.proven:
            assert cover.best == pytest.approx(parts, abs=1e-6)


def test_ties_need_shared_ground() -> None:
    matrix = sparse.csr_array(np.array([[1, 1, 0], [0, 1, 1], [0, 0, 1]], dtype=np.int8))
    area = np.array([0.3, 1.0, 5.0])
    ties = tie_matrix(matrix, area, 0.5).toarray()
    assert ties.tolist() == [[0, 0, 0], [0, 0, 1], [0, 1, 0]]
    assert [list(g) for g in groups(np.array([0, 1, 2]), sparse.csr_array(ties))] == [[0], [1, 2]]


def test_tied_at_all_times_takes_a_stepping_stone() -> None:
    # two discs far apart serve all; only the middle one joins them
    matrix = sparse.csr_array(np.array([[1, 0, 0], [0, 0, 1]], dtype=np.int8))
    ties = sparse.csr_array(np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]], dtype=np.int8))
    assert list(solve_cover(matrix).chosen) == [0, 2]
    cover, notes = solve_tied(matrix, np.ones(3), ties)
    assert list(cover.chosen) == [0, 1, 2]
    assert cover.proven
    assert notes == ()


def test_a_group_may_stand_alone_where_another_part_serves_the_rest() -> None:
    """Columns a, s, t, b in a chain of ties; z and w tied to each other only. Cheapest without ties: a, b, w
    (4), but a and b are cut off. By hand: joining them costs 6; a alone with z and w costs 5.5."""
    matrix = np.zeros((4, 6), dtype=np.int8)  # columns a s t b z w
    matrix[0, 0] = 1  # only a
    matrix[1, [3, 4]] = 1  # b or z
    matrix[2, 5] = 1  # only w
    matrix[3, [0, 5]] = 1
    cost = np.array([1.0, 1.0, 1.0, 1.0, 2.5, 2.0])
    ties = np.zeros((6, 6), dtype=bool)
    for one, other in ((0, 1), (1, 2), (2, 3), (4, 5)):
        ties[one, other] = ties[other, one] = True
    assert exhaustive(matrix > 0, cost) == 4
    assert exhaustive_in_parts(matrix > 0, cost, ties) == 5.5
    cover, notes = solve_tied(sparse.csr_array(matrix), cost, sparse.csr_array(ties.astype(np.int8)))
    assert notes
    assert list(cover.chosen) == [0, 4, 5]
    assert cover.bound == 5.5


def steiner(points: int) -> np.ndarray:
    """Rows: the blocks of a Steiner triple system; every column is one point."""
    if points == 9:  # affine plane of order 3
        blocks = [
            {3 * r + c for r, c in line}
            for line in (
                [[(r, c) for c in range(3)] for r in range(3)]
                + [[(r, c) for r in range(3)] for c in range(3)]
                + [[(r, (r + k) % 3) for r in range(3)] for k in range(3)]
                + [[(r, (k - r) % 3) for r in range(3)] for k in range(3)]
            )
        ]
    else:  # product construction: 27 = 3 x 9
        nine = [tuple(sorted(block)) for block in (set(np.flatnonzero(row)) for row in steiner(9))]
        blocks = [{9 * k + a for a in block} for k in range(3) for block in nine]
        blocks += [{a, 9 + a, 18 + a} for a in range(9)]
        blocks += [{p[0], 9 + p[1], 18 + p[2]} for block in nine for p in itertools.permutations(block)]
    matrix = np.zeros((len(blocks), points), dtype=bool)
    for row, block in enumerate(blocks):
        matrix[row, list(block)] = True
    return matrix


@pytest.mark.parametrize(("points", "optimum"), [(9, 5), (27, 18)])
def test_steiner_triple_covers(points: int, optimum: int) -> None:
    """Fulkerson, Nemhauser and Trotter 1974, "Two computationally difficult set covering problems that
    arise in computing the 1-width of incidence matrices of Steiner triple systems": A9 5, A27 18 (from
    memory). The relaxation stops at a third of the points."""
    matrix = steiner(points)
    assert (matrix.sum(axis=1) == 3).all()
    assert len(matrix) == points * (points - 1) // 6
    bound = relax(sparse.csr_array(matrix.astype(np.int8)), np.ones(points)).bound
    assert bound == pytest.approx(points / 3, abs=1e-6)
    cover = solve_cover(sparse.csr_array(matrix.astype(np.int8)))
    assert cover.best == optimum
    assert cover.proven


def discs(points: np.ndarray, centres: np.ndarray, radius: float) -> sparse.csr_array:
    away = np.linalg.norm(points[:, None] - centres[None], axis=2)
    return sparse.csr_array((away <= radius).astype(np.int8))


@pytest.mark.parametrize(("count", "radius"), [(3, 0.8660254), (4, 0.7071068), (5, 0.6093828), (7, 0.5)])
def test_discs_that_cover_the_unit_disc(count: int, radius: float) -> None:
    """Least radius with which n equal discs cover the unit disc: Neville 1915 (n = 5, 0.6093828),
    Bezdek 1983 (n = 7, 0.5), closed forms sqrt(3)/2 and sqrt(2)/2; as tabled by Friedman, "Circles
    Covering Circles" (from memory). With a radius a little below it, n discs are not enough, wherever
    they stand; a little above it, n discs at the known places are."""
    grid = np.linspace(-1, 1, 61)
    x, y = np.meshgrid(grid, grid)
    work = np.column_stack((x.ravel(), y.ravel()))
    work = work[np.linalg.norm(work, axis=1) <= 1.0]
    ring = np.exp(2j * np.pi * np.arange(720) / 720)
    work = np.vstack((work, np.column_stack((ring.real, ring.imag))))
    grid = np.linspace(-0.8, 0.8, 17)
    x, y = np.meshgrid(grid, grid)
    centres = np.column_stack((x.ravel(), y.ravel()))
    if count == 7:
        turn = np.exp(2j * np.pi * np.arange(6) / 6) * np.sqrt(3) / 2
        known = np.vstack(([[0.0, 0.0]], np.column_stack((turn.real, turn.imag))))
        centres = np.vstack((centres, known))
    small = solve_cover(discs(work, centres, 0.985 * radius))
    assert small.bound > count  # places on a grid can do no better than places anywhere
    if count in (3, 4, 7):
        if count != 7:
            turn = np.exp(2j * np.pi * np.arange(count) / count) * np.sqrt(1 - radius**2)
            known = np.column_stack((turn.real, turn.imag))
            centres = np.vstack((centres, known))
        large = solve_cover(discs(work, centres, 1.002 * radius))
        assert large.best == count
        assert large.proven


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6))
def test_more_places_never_need_more_anchors(seed: int) -> None:
    rng = np.random.default_rng(seed)
    work = rng.uniform(0, 10, (120, 2))
    centres = np.vstack((rng.uniform(0, 10, (14, 2)), work[::6]))
    within = discs(work, centres, 3.0)
    work = work[np.diff(within.indptr) > 0]  # more places may serve more work, which is another question
    few = solve_cover(discs(work, centres, 3.0))
    many = solve_cover(discs(work, np.vstack((centres, rng.uniform(0, 10, (10, 2)))), 3.0))
    longer = solve_cover(discs(work, centres, 3.6))
    assert few.proven
    assert many.best <= few.best
    assert longer.best <= few.best


def test_row_and_column_order_change_nothing() -> None:
    rng = np.random.default_rng(5)
    matrix = discs(rng.uniform(0, 10, (200, 2)), rng.uniform(0, 10, (40, 2)), 2.6)
    matrix = sparse.csr_array(matrix[np.flatnonzero(np.diff(matrix.indptr))])
    value = solve_cover(matrix).best
    for seed in range(4):
        turn = np.random.default_rng(seed)
        again = matrix[turn.permutation(matrix.shape[0])][:, turn.permutation(matrix.shape[1])]
        assert solve_cover(sparse.csr_array(again)).best == value


def test_same_input_same_answer_within_a_limit() -> None:
    rng = np.random.default_rng(8)
    matrix = discs(rng.uniform(0, 30, (900, 2)), rng.uniform(0, 30, (150, 2)), 4.0)
    few = Effort(work=0.5, swaps=100)
    first, second = (solve_cover(matrix, effort=few) for _ in range(2))
    assert list(first.chosen) == list(second.chosen)
    assert first.bound == second.bound
    assert first.work == second.work


def test_stopping_leaves_the_best_so_far_and_its_gap() -> None:
    rng = np.random.default_rng(3)
    matrix = discs(rng.uniform(0, 40, (1500, 2)), rng.uniform(0, 40, (250, 2)), 5.0)
    seen = []
    cover = solve_cover(matrix, report=seen.append, stop=lambda: True)
    rows = np.setdiff1d(np.arange(matrix.shape[0]), cover.uncovered)
    assert (np.asarray(matrix[rows][:, cover.chosen].sum(axis=1)).ravel() > 0).all()
    assert cover.stopped
    assert 0 < cover.gap < 0.5
    assert not cover.proven
    whole = solve_cover(matrix)
    assert cover.bound <= whole.best <= cover.best
    assert seen[-1].best == cover.best


def test_rows_that_nothing_serves_are_named() -> None:
    matrix = sparse.csr_array(np.array([[1, 0], [0, 0], [0, 1]], dtype=np.int8))
    cover = solve_cover(matrix)
    assert list(cover.uncovered) == [1]
    assert list(cover.chosen) == [0, 1]
    nothing = solve_cover(sparse.csr_array((0, 3), dtype=np.int8))
    assert nothing.best == 0
    assert nothing.proven


def test_separate_parts_round_their_bounds_one_by_one() -> None:
    # three odd rings: each needs 2 where its relaxation says 1.5; together 6, not ceil(4.5) = 5
    ring = np.array([[1, 1, 0], [0, 1, 1], [1, 0, 1]], dtype=np.int8)
    matrix = sparse.csr_array(sparse.block_diag([ring] * 3))
    assert relax(matrix, np.ones(9)).bound == pytest.approx(4.5)
    assert len(separate_parts(matrix)) == 3
    cover = solve_cover(matrix, effort=Effort(work=0.0))
    assert (cover.best, cover.bound, cover.parts) == (6, 6, 3)


@settings(max_examples=100, deadline=None)
@given(instances())
def test_reductions_keep_the_best_value(instance: tuple[np.ndarray, np.ndarray]) -> None:
    matrix, cost = instance
    system = sparse.csr_array(matrix.astype(np.int8))
    reduced = reduce_cover(system, cost)
    rest = matrix[np.ix_(reduced.rows, reduced.columns)]
    left = exhaustive(rest, cost[reduced.columns]) if reduced.rows.size else 0.0
    assert cost[reduced.taken].sum() + left == pytest.approx(exhaustive(matrix, cost))
    rows = set(minimal_rows(system))
    for row in set(range(matrix.shape[0])) - rows:  # every dropped row contains one that stays
        assert any((matrix[row] | ~matrix[other]).all() for other in rows)
    columns = set(maximal_columns(system, cost))
    for column in set(range(matrix.shape[1])) - columns:
        assert not matrix[:, column].any() or any(
            (matrix[:, other] | ~matrix[:, column]).all() and cost[other] <= cost[column] for other in columns
        )


@settings(max_examples=60, deadline=None)
@given(instances())
def test_the_bound_is_a_bound_and_the_search_a_cover(instance: tuple[np.ndarray, np.ndarray]) -> None:
    matrix, cost = instance
    system = sparse.csr_array(matrix.astype(np.int8))
    truth = exhaustive(matrix, cost)
    answer = relax(system, cost)
    assert answer.bound <= truth + 1e-6
    assert lift(answer.bound, grain(cost)) <= truth + 1e-6
    start = greedy_cover(system, cost)
    found = improve(system, cost, start, steps=100)
    assert matrix[:, found].any(axis=1).all()
    assert truth - 1e-9 <= cost[found].sum() <= cost[start].sum() + 1e-9


def test_scores_of_the_search_stay_what_they_stand_for() -> None:
    rng = np.random.default_rng(2)
    matrix = discs(rng.uniform(0, 10, (80, 2)), rng.uniform(0, 10, (20, 2)), 3.0)
    matrix = sparse.csr_array(matrix[np.flatnonzero(np.diff(matrix.indptr))])
    state = make_state(matrix, np.ones(20), np.arange(20), 1)
    for _ in range(60):
        swap(state, 7, 10**6, 0.0)
        assert state.score == pytest.approx(scores(state))
        members = state.members[: state.counters[MEMBERS]]
        assert sorted(members) == list(np.flatnonzero(state.inside))
        held = np.asarray(matrix[:, np.flatnonzero(state.inside)].sum(axis=1)).ravel()
        assert list(held) == list(state.held)
        assert set(state.opened[: state.counters[OPEN]]) == set(np.flatnonzero(held == 0))
        assert (np.asarray(matrix[:, np.flatnonzero(state.best)].sum(axis=1)).ravel() > 0).all()


def test_a_run_of_swaps_is_the_same_in_one_piece_or_many() -> None:
    rng = np.random.default_rng(4)
    matrix = discs(rng.uniform(0, 20, (400, 2)), rng.uniform(0, 20, (90, 2)), 3.5)
    matrix = sparse.csr_array(matrix[np.flatnonzero(np.diff(matrix.indptr))])
    start = greedy_cover(matrix, np.ones(90))
    whole, parts = (make_state(matrix, np.ones(90), start, 5) for _ in range(2))
    swap(whole, 900, 10**6, 0.0)
    for swaps in (1, 299, 600):
        swap(parts, swaps, 10**6, 0.0)
    assert list(whole.inside) == list(parts.inside)
    assert list(whole.weight) == list(parts.weight)
    assert whole.values[0] <= start.size


def test_grain_and_gap() -> None:
    assert grain(np.array([1.0, 1.0])) == 1.0
    assert grain(np.array([90.0, 120.0])) == 30.0
    assert grain(np.array([0.5, 1.5])) == 0.5
    assert grain(np.array([np.pi])) == 0.0
    assert lift(22.0000000001, 1.0) == 22.0
    assert lift(22.3, 1.0) == 23.0
    assert gap(10, 10) == 0
    assert gap(100, 82) == pytest.approx(0.18)


@pytest.mark.parametrize("cost", [[1.0], [1.0, 0.0], [1.0, -2.0], [1.0, np.nan]])
def test_costs_that_cannot_be(cost: list[float]) -> None:
    with pytest.raises(ValueError, match="one positive, finite number per column"):
        solve_cover(sparse.csr_array(np.eye(2, dtype=np.int8)), np.array(cost))


@settings(max_examples=40, deadline=None)
@given(instances())
def test_the_stronger_solver_says_the_same(instance: tuple[np.ndarray, np.ndarray]) -> None:
    """CP-SAT on the same model, as an extra: the same best value, for whole costs and for cents."""
    pytest.importorskip("ortools")
    matrix, cost = instance
    system = sparse.csr_array(matrix.astype(np.int8))
    truth = exhaustive(matrix, cost)
    chosen, bound = ask_stronger(system, cost, greedy_cover(system, cost), 0.0, 5.0)
    assert matrix[:, chosen].any(axis=1).all()
    assert cost[chosen].sum() == pytest.approx(truth)
    assert bound == pytest.approx(truth)


def test_the_stronger_solver_closes_what_is_cut_short() -> None:
    """With hardly any work allowed the stronger solver may only better both ends, and repeats exactly."""
    pytest.importorskip("ortools")
    rng = np.random.default_rng(8)
    matrix = discs(rng.uniform(0, 30, (900, 2)), rng.uniform(0, 30, (150, 2)), 4.0)
    plain = solve_cover(matrix)
    few = Effort(work=4.0, swaps=100, piece=0.0, solver="cp-sat")
    one, two = (solve_cover(matrix, effort=few) for _ in range(2))
    assert one.bound <= plain.best <= one.best
    assert (one.best, one.bound) == (two.best, two.bound)
    assert list(one.chosen) == list(two.chosen)
    assert plain.proven
    held = matrix[np.flatnonzero(np.diff(matrix.indptr))]
    assert (np.asarray(held[:, one.chosen].sum(axis=1)).ravel() > 0).all()


def test_costs_without_a_common_step_are_left_to_the_usual_solver() -> None:
    pytest.importorskip("ortools")
    matrix = sparse.csr_array(np.array([[1, 1], [0, 1]], dtype=np.int8))
    chosen, bound = ask_stronger(matrix, np.array([np.pi, np.e]), np.array([0, 1]), 1.5, 1.0)
    assert (list(chosen), bound) == ([0, 1], 1.5)
