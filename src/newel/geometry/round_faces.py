"""Round faces of a mesh: bores, bosses and fillets whose corners lie on a cylinder, however it was cut into facets."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from newel.geometry.cylinder_fits import covered_deg, fitted_cylinder, square_to
from newel.geometry.feature_kernels import Limits, PatchTable, Round, Scratch, next_round, spread
from newel.geometry.features import RoundFace
from newel.geometry.flat_faces import FACET_AREAS, SMOOTH_DEG, Patches, fit_limit_mm
from newel.geometry.mesh_facets import Facets

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

# House choices; the first two stand on what files blur (they are seldom rounded to less than 3 decimals).
GROW_MM = 3e-3  # a corner this near the cylinder may be on it
KEPT_SHARE = 1.0 / 3.0  # a true cylinder's corners lie closer than this share of it; what was only touched does not
LEAST_PATCHES = 3
LEAST_DEPTH_MM = 0.02  # bulges less: nearly flat, no cylinder can be told
LEAST_TURN_DEG = 10.0
LEAST_RADIAL = 0.93  # cosine of a facet's normal with the radius at its middle
SQUARE_SIN = 0.005  # a facet leaning less against the axis counts as square to the radius
CUT_HALF_CHORD = 1.3  # a facet that was cut through lies no deeper than one so many times as wide as the first ones
FEW_PATCHES = 5  # of fewer every corner must be on the cylinder, of more those where two of them meet
MOST_LEAN = 0.05  # of the patches' normals against the axis, on the mean: more is a cone, or curved both ways
MOST_FAN = 0.02  # slope with which edges between facets square to the radius fan out: more is a cone
# So much of a turn, so long for its radius, and so many rows of facets along it: a cylinder whatever it runs on into.
BOLD_TURN_DEG, BAND_SHARE, BOLD_ROWS = 80.0, 0.25, 3.0
ODD_CHORD = 3.0  # a patch so many times as wide as most others is a flat that happens to touch the circle
LEAST_ODD_DEG = 6.0
SETTLING = 10  # times to fit, and to trim or gather anew
LEAST_TRIMMED = 0.75  # of the area at most gathered that must be left when what is off has been trimmed


def round_faces(facets: Facets, patches: Patches) -> tuple[Ints, tuple[RoundFace, ...]]:
    """Return the round faces, and which of them each patch is (p,), -1 for none.

    Each pair of patches that meet smoothly offers an axis, their common edge, and a circle; what lies on that cylinder is
    gathered, fitted by least squares, and gathered again.
    """
    count = len(patches.normals)
    table, pairs, axes = _prepared(facets, patches)
    limits = _limits(facets)
    scratch = Scratch(np.zeros(count, bool), np.zeros(count, bool), np.zeros(count, np.int64), np.empty(count, np.int64))
    number = np.full(count, -1, np.int64)
    found: list[RoundFace] = []
    begin = 0
    while True:
        size, begin, cylinder = next_round(table, scratch, pairs, axes, begin, limits)
        if size == 0:
            break
        first = scratch.region[:size].copy()
        if size == LEAST_PATCHES and not _alike_wide(facets, patches, first, cylinder):
            continue
        grown, face = _settled(table, patches.areas_mm2, scratch, first, cylinder, limits, -begin), None
        if grown is not None:
            own = _even(facets, patches, *grown)
            face = _round_face(facets, patches, own, grown[1])
        if face is None:
            scratch.tried[first] = True
            continue
        scratch.taken[own] = True
        number[own] = len(found)
        found.append(face)
    return _meant(facets, patches, number, found)


def _limits(facets: Facets) -> Limits:
    return Limits(
        fit_mm=fit_limit_mm(facets, GROW_MM),
        half_chord_sin=float(np.sin(np.radians(SMOOTH_DEG / 2.0))),
        cut_half_chord=CUT_HALF_CHORD,
        least_radial=LEAST_RADIAL,
        square_sin=SQUARE_SIN,
        least_patches=LEAST_PATCHES,
        least_depth_mm=LEAST_DEPTH_MM,
        least_depth_share=1.0 - float(np.cos(np.radians(LEAST_TURN_DEG / 2.0))),
        most_lean=2.0 * MOST_LEAN,
    )


def _prepared(facets: Facets, patches: Patches) -> tuple[PatchTable, Ints, Floats]:
    """Return the patches as kernels see them, and the smooth pairs with their common edge's direction, longest first."""
    count = len(patches.normals)
    smooth = patches.turn_deg <= SMOOTH_DEG
    pair, edge = patches.pair[smooth], facets.edges[patches.edges[smooth]]
    key = np.minimum(pair[:, 0], pair[:, 1]) * count + np.maximum(pair[:, 0], pair[:, 1])
    along = facets.points[edge[:, 1]] - facets.points[edge[:, 0]]
    length = np.linalg.norm(along, axis=1)
    order = np.lexsort((-length, key))
    leading = order[np.concatenate([[True], key[order][1:] != key[order][:-1]])] if len(order) else order
    leading = leading[length[leading] > 0.0]
    both = np.concatenate([pair[leading], pair[leading][:, ::-1]])
    by_own = np.argsort(both[:, 0], kind="stable")
    near_first = np.searchsorted(both[by_own, 0], np.arange(count + 1))
    table = PatchTable(facets.points, patches.first, patches.corner, patches.normals, near_first, both[by_own, 1].copy())
    bent = leading[patches.turn_deg[smooth][leading] > 1e-2]
    bent = bent[np.argsort(-length[bent], kind="stable")]
    return table, pair[bent], along[bent] / length[bent][:, None]


def _settled(
    table: PatchTable, areas_mm2: Floats, scratch: Scratch, start: Ints, cylinder: Round, limits: Limits, token: int
) -> tuple[Ints, Round] | None:
    """Fit and gather in turns until nothing changes. None where the corners do not lie on a cylinder after all.

    What lies beside a cylinder and runs on from it smoothly is trimmed off; where much must go, the whole was only touched.
    """
    own, most_mm2 = start, float(areas_mm2[start].sum())
    close = limits._replace(fit_mm=KEPT_SHARE * limits.fit_mm)
    for _ in range(SETTLING):
        fitted = fitted_cylinder(_corners(table, own), cylinder)
        if fitted is None:
            return None
        cylinder, worst_mm = fitted
        if worst_mm > close.fit_mm:
            own = own[_off_mm(table, own, cylinder) <= max(close.fit_mm, 0.5 * worst_mm)]
            if len(own) < LEAST_PATCHES or areas_mm2[own].sum() < LEAST_TRIMMED * most_mm2:
                return None
            continue
        scratch.region[: len(own)] = own
        scratch.mark[scratch.mark == token] = 0
        count, _ = spread(table, scratch, len(own), cylinder, close, token)
        if count == len(own):
            return own, cylinder
        own = scratch.region[:count].copy()
        most_mm2 = max(most_mm2, float(areas_mm2[own].sum()))
    return None


def _off_mm(table: PatchTable, own: Ints, cylinder: Round) -> Floats:
    """Return how far the worst corner of each patch lies off the cylinder."""
    sizes = table.first[own + 1] - table.first[own]
    begins = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    held = table.corner[np.arange(int(sizes.sum())) - np.repeat(begins, sizes) + np.repeat(table.first[own], sizes)]
    out = table.points[held] - cylinder.centre
    away = np.linalg.norm(out - np.outer(out @ cylinder.axis, cylinder.axis), axis=1)
    return np.maximum.reduceat(np.abs(away - cylinder.radius), begins)


def _corners(table: PatchTable, own: Ints) -> Floats:
    """Return the corners to be fitted: where two facets meet. One that a cut left amid a facet is not on the cylinder."""
    held, times = np.unique(
        np.concatenate([table.corner[table.first[i] : table.first[i + 1]] for i in own]), return_counts=True
    )
    if len(own) >= FEW_PATCHES:
        held = held[times >= 2]
    return np.asarray(table.points[held])


def _even(facets: Facets, patches: Patches, own: Ints, cylinder: Round) -> Ints:
    """Leave out patches much wider than the rest: flats whose rims happen to lie on the cylinder."""
    wide = _chords_deg(facets, patches, own, cylinder)
    return own[wide <= max(ODD_CHORD * float(np.median(wide)), LEAST_ODD_DEG)]


def _alike_wide(facets: Facets, patches: Patches, own: Ints, cylinder: Round) -> bool:
    """Whether all patches take the same share of the turn: three that do are a fillet, three that don't may be anything."""
    wide = _chords_deg(facets, patches, own, cylinder)
    return bool(wide.max() <= 1.02 * wide.min())


def _chords_deg(facets: Facets, patches: Patches, own: Ints, cylinder: Round) -> Floats:
    low, high = _spans(facets, patches, own, cylinder)
    return np.degrees(high - low)


def _spans(facets: Facets, patches: Patches, own: Ints, cylinder: Round) -> tuple[Floats, Floats]:
    """Return the angles about the axis between which each patch lies (low, low..low + pi), radians."""
    side, other = square_to(cylinder.axis)
    normals = patches.normals[own] * cylinder.sign
    middle = np.arctan2(normals @ other, normals @ side)
    sizes = patches.first[own + 1] - patches.first[own]
    rows = np.repeat(np.arange(len(own)), sizes)
    begins = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    held = patches.corner[np.arange(int(sizes.sum())) - np.repeat(begins, sizes) + np.repeat(patches.first[own], sizes)]
    from_axis = facets.points[held] - cylinder.centre
    angle = np.arctan2(from_axis @ other, from_axis @ side) - middle[rows]
    angle = (angle + np.pi) % (2.0 * np.pi) - np.pi
    return middle + np.minimum.reduceat(angle, begins), middle + np.maximum.reduceat(angle, begins)


def _round_face(facets: Facets, patches: Patches, own: Ints, cylinder: Round) -> RoundFace | None:
    """Return the face, or None where it is too little of a cylinder to be meant as one."""
    if len(own) < LEAST_PATCHES:
        return None
    low, high = _spans(facets, patches, own, cylinder)
    around = covered_deg(low, high)
    if around < LEAST_TURN_DEG or (len(own) == LEAST_PATCHES and not _alike_wide(facets, patches, own, cylinder)):
        return None
    lean = np.abs(patches.normals[own] @ cylinder.axis)
    if np.average(lean, weights=patches.areas_mm2[own] + 1e-12) > MOST_LEAN:
        return None  # a cone or something doubly curved
    inside = np.zeros(len(patches.normals), bool)
    inside[own] = True
    if lean.max() <= SQUARE_SIN and _fan(facets, patches, inside, cylinder) > MOST_FAN:
        return None  # a cone
    axis = cylinder.axis if cylinder.axis[np.abs(cylinder.axis).argmax()] > 0 else -cylinder.axis
    along = facets.points[patches.corner[inside[_owners(patches)]]] @ axis
    length = float(np.ptp(along))
    rows = len(own) * float(np.degrees(np.median(high - low))) / around
    bold = around >= BOLD_TURN_DEG and length >= BAND_SHARE * cylinder.radius and rows >= BOLD_ROWS
    if not bold and _runs_on(facets, patches, inside, axis, around):
        return None
    faces = np.flatnonzero(inside[patches.of_face])
    point = cylinder.centre - (cylinder.centre @ axis) * axis + 0.0  # the axis' nearest place to the origin
    hollow = bool(cylinder.sign < 0)
    return RoundFace(point, axis + 0.0, float(cylinder.radius), float(along.min()), float(along.max()), hollow, around, faces)


def _owners(patches: Patches) -> Ints:
    return np.repeat(np.arange(len(patches.normals)), np.diff(patches.first))


def _fan(facets: Facets, patches: Patches, inside: NDArray[np.bool_], cylinder: Round) -> float:
    """Return how far the edges between the patches fan out round the axis as those of a cone do: the root mean square slope."""
    axis, (side, other) = cylinder.axis, square_to(cylinder.axis)
    edge = facets.edges[patches.edges[inside[patches.pair].all(axis=1)]]
    along = facets.points[edge[:, 1]] - facets.points[edge[:, 0]]
    out = facets.points[edge].mean(axis=1) - cylinder.centre
    u, v = out @ side, out @ other
    turn = np.arctan2(v, u) - np.arctan2(v.mean(), u.mean())
    turn = (turn + np.pi) % (2.0 * np.pi) - np.pi
    up = along @ axis
    around = ((along @ other) * u - (along @ side) * v) / np.maximum(np.hypot(u, v), 1e-300)
    weight = np.abs(up) + 1e-300
    slope = around * np.sign(up) / weight
    spread_of_turn = float(np.sqrt(np.average(turn**2, weights=weight)))
    return abs(float(np.average(turn * slope, weights=weight))) / max(spread_of_turn, 1e-12)


def _runs_on(facets: Facets, patches: Patches, inside: NDArray[np.bool_], axis: Floats, around_deg: float) -> bool:
    """Whether the face goes on smoothly into its like at its ends (the part of its rim that runs round the axis).

    Its like: patches about as large as its own. Only something curved both ways does. Of a small share of the turn it is
    asked of the whole rim: a few facets of anything are nearly on a cylinder.
    """
    ours = inside[patches.pair]
    rim = np.flatnonzero(ours[:, 0] != ours[:, 1])
    beyond = np.where(ours[rim, 0], patches.pair[rim, 1], patches.pair[rim, 0])
    edge = facets.edges[patches.edges[rim]]
    along = facets.points[edge[:, 1]] - facets.points[edge[:, 0]]
    length = np.linalg.norm(along, axis=1)
    end = np.abs(along @ axis) < 0.7 * length
    usual = float(np.median(patches.areas_mm2[inside]))
    alike = (patches.areas_mm2[beyond] <= FACET_AREAS * usual) & (patches.areas_mm2[beyond] >= usual / FACET_AREAS)
    smooth = alike & (patches.turn_deg[rim] <= SMOOTH_DEG)
    at_ends = length[smooth & end].sum() > 0.5 * max(float(length[end].sum()), 1e-12)
    return bool(at_ends or (around_deg < 30.0 and length[smooth].sum() > 0.4 * length.sum()))


def _meant(facets: Facets, patches: Patches, number: Ints, found: list[RoundFace]) -> tuple[Ints, tuple[RoundFace, ...]]:
    """Leave out faces whose both flanks run on smoothly into their like that is no round face: the crests of splines.

    `number` (p,) says which face each patch is; it is numbered anew. The rest comes with the largest first.
    """
    rims = _flanks(facets, patches, number, found)
    kept = [k for k in range(len(found)) if found[k].around_deg >= 180.0 or rims[k] < 0.75]
    kept.sort(key=lambda k: (-found[k].around_deg * found[k].radius_mm * (found[k].to_mm - found[k].from_mm), k))
    renumber = np.full(len(found) + 1, -1, np.int64)
    renumber[kept] = np.arange(len(kept))
    return renumber[number], tuple(found[k] for k in kept)


def _flanks(facets: Facets, patches: Patches, number: Ints, found: list[RoundFace]) -> Floats:
    """Return what share of each face's flanks (the rim along its axis) runs on smoothly into unclaimed patches like its own."""
    share = np.zeros(len(found))
    usual = np.array([np.median(patches.areas_mm2[number == k]) for k in range(len(found))])
    for own, other in ((0, 1), (1, 0)):
        mine, its = patches.pair[:, own], patches.pair[:, other]
        rim = np.flatnonzero((number[mine] >= 0) & (number[mine] != number[its]))
        face = number[mine[rim]]
        edge = facets.edges[patches.edges[rim]]
        along = facets.points[edge[:, 1]] - facets.points[edge[:, 0]]
        straight = np.abs(np.einsum("ij,ij->i", along, np.stack([f.axis for f in found])[face])) if len(found) else np.zeros(0)
        flank = straight >= 0.7 * np.linalg.norm(along, axis=1)
        alike = (number[its[rim]] < 0) & (patches.areas_mm2[its[rim]] <= FACET_AREAS * usual[face])
        smooth = flank & alike & (patches.turn_deg[rim] <= SMOOTH_DEG)
        length = np.array([2.0 * (f.to_mm - f.from_mm) for f in found])
        share += np.bincount(face, weights=straight * smooth, minlength=len(found)) / np.maximum(length, 1e-12)
    return share
