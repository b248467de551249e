"""Small moves of a picture, solved from sums over cells.

A picture is cut into square cells. In each cell the texture of a frame is explained as
gain * reference + offset + (displacement . gradient of the reference); gain and offset are eliminated
cell by cell, which takes care of the light, and what is left is a 2 x 2 system for the displacement. A
pose is fitted to the systems of all cells, and the scatter between cells says how far to believe it.
Moves are written in a nested basis, so that a richer model only appends parameters.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from lightstack.core.compiled import compile_loop
from lightstack.core.warp import warp_picture
from lightstack.records import BoolArray, FloatArray

__all__ = [
    "MODELS",
    "CellGrid",
    "MoveFit",
    "Template",
    "apply_move",
    "corner_spread_px",
    "cut_grid",
    "fit_move",
    "make_template",
    "move_matrix",
    "read_move",
    "rebase_tally",
    "tally_frame",
]

MODELS = {"translation": 2, "euclidean": 3, "affine": 6, "homography": 8}

_DERIVATIVE = np.array([1, -8, 0, 8, -1], np.float32) / 12
_RIDGE = 1e-7
_DOUBT = 2.0  # shadows and highlights reach over blocks of cells: measured on made rooms, the scatter between
# blocks tells half of the true error under a moving lamp
_LEAST_REST = 0.005  # of a texture's unit variance; no cell is trusted beyond that


@dataclass(frozen=True, slots=True)
class CellGrid:
    """How a ``(h, w)`` picture is cut: ``rows`` x ``columns`` cells of ``side`` pixels from the top left.

    ``u``, ``v``: centres of the cells, ``(cells,)``, from the picture's middle in half diagonals.
    """

    size: tuple[int, int]
    side: int
    rows: int
    columns: int
    u: NDArray[np.float64]
    v: NDArray[np.float64]

    @property
    def half_diagonal(self) -> float:
        return 0.5 * float(np.hypot(*self.size))


@dataclass(frozen=True, slots=True)
class Template:
    """A reference laid at one pose, ready to be compared with frames.

    ``texture``, ``across``, ``down``: ``(h, w)`` float32, the texture and its derivatives, 0 where
    ``usable`` is not. Cell sums: ``inverse`` ``(cells, 2, 2)`` of the (texture, 1) system, ``cross``
    ``(cells, 2, 2)`` gradient against (texture, 1), ``shape`` ``(cells, 2, 2)`` the displacement system
    per unit gain, ``count`` ``(cells,)`` usable pixels.
    """

    grid: CellGrid
    pose: NDArray[np.float64]
    texture: FloatArray
    across: FloatArray
    down: FloatArray
    usable: FloatArray
    inverse: NDArray[np.float64]
    cross: NDArray[np.float64]
    shape: NDArray[np.float64]
    count: NDArray[np.float64]
    whole: bool


@dataclass(frozen=True, slots=True)
class MoveFit:
    """A move fitted to cells: ``values`` in the nested basis, pixels; ``covariance`` from the scatter
    between cells; ``agreement`` 0..1, how alike the textures are."""

    values: NDArray[np.float64]
    covariance: NDArray[np.float64]
    agreement: float


def cut_grid(size: tuple[int, int]) -> CellGrid:
    """Cut a ``(h, w)`` picture into about 40 cells across, none smaller than 8 pixels."""
    height, width = size
    side = max(8, round(max(size) / 40))
    rows, columns = height // side, width // side
    half = 0.5 * np.hypot(height, width)
    v, u = np.meshgrid(
        ((np.arange(rows) + 0.5) * side - height / 2) / half,
        ((np.arange(columns) + 0.5) * side - width / 2) / half,
        indexing="ij",
    )
    return CellGrid(size, side, rows, columns, u.ravel(), v.ravel())


def _sum_cells(image: FloatArray, grid: CellGrid) -> NDArray[np.float64]:
    """Sum a picture over each cell, ``(cells,)`` float64."""
    cut = image[: grid.rows * grid.side, : grid.columns * grid.side]
    small = cv2.resize(cut, (grid.columns, grid.rows), interpolation=cv2.INTER_AREA)
    return small.ravel().astype(np.float64) * grid.side**2


def make_template(
    texture: FloatArray, pose: NDArray[np.float64], *, grid: CellGrid, usable: BoolArray | None = None
) -> Template:
    """Lay a reference texture where a frame of the given pose would show it.

    ``texture``: ``(h, w)`` float32 in the reference's own place. ``pose``: reference -> frame, proxy pixels.
    ``usable``: ``(h, w)`` bool in the frame's place.
    """
    laid, inside = texture, None
    if not np.array_equal(pose, np.eye(3)):
        back = np.asarray(np.linalg.inv(pose), np.float64)
        laid, inside = warp_picture(texture, back, interpolation="smooth8")
    held = np.ones(texture.shape, bool) if inside is None else inside
    # A derivative needs its whole neighbourhood.
    held = cv2.erode(held.astype(np.uint8), np.ones((7, 7), np.uint8), borderValue=0).astype(bool)
    whole = usable is None and inside is None
    if usable is not None:
        held &= usable
    mask = held.astype(np.float32)
    across = cv2.sepFilter2D(laid, cv2.CV_32F, _DERIVATIVE, np.ones(1, np.float32)) * mask
    down = cv2.sepFilter2D(laid, cv2.CV_32F, np.ones(1, np.float32), _DERIVATIVE) * mask
    laid = laid * mask
    return _sum_template(laid, across, down, mask, grid, np.asarray(pose, np.float64), whole)


def _sum_template(
    texture: FloatArray,
    across: FloatArray,
    down: FloatArray,
    mask: FloatArray,
    grid: CellGrid,
    pose: NDArray[np.float64],
    whole: bool,
) -> Template:
    """Form the sums over cells that do not depend on the frame."""

    def total(image: FloatArray) -> NDArray[np.float64]:
        return _sum_cells(image, grid)

    count, first, second = total(mask), total(texture), total(texture * texture)
    light = np.stack([np.stack([second, first], -1), np.stack([first, count], -1)], -2)
    light = light + np.diag([1e-3 * grid.side**2, 1e-6])
    inverse = np.asarray(np.linalg.inv(light), np.float64)
    cross = np.stack(
        [
            np.stack([total(across * texture), total(across)], -1),
            np.stack([total(down * texture), total(down)], -1),
        ],
        -2,
    )
    mixed = total(across * down)
    plain = np.stack([np.stack([total(across * across), mixed], -1), np.stack([mixed, total(down * down)], -1)], -2)
    shape = plain - cross @ inverse @ np.swapaxes(cross, -1, -2)
    return Template(grid, pose, texture, across, down, mask, inverse, cross, shape, count, whole)


def tally_frame(texture: FloatArray, template: Template) -> NDArray[np.float64]:
    """Compare a frame's texture with a template, cell by cell.

    Returns ``(cells, 7)`` float64: the weighted system (xx, xy, yy), its right side (x, y), how much texture
    the template has there, and that times how alike the two are. Sums of tallies are tallies.

    Notes: a cell whose texture disagrees (covered, clipped, crossed by a shadow) gets little or no
    weight; the rest are weighed by the inverse of what gain and offset left unexplained.
    """
    grid = template.grid
    masked = texture if template.whole else texture * template.usable
    edges = np.stack([_sum_cells(masked * side, grid) for side in (template.across, template.down)], -1)
    light = np.stack([_sum_cells(masked * side, grid) for side in (template.texture, template.usable)], -1)
    energy = _sum_cells(masked * masked, grid)
    solved = (template.inverse @ light[..., None])[..., 0]
    right = edges - (template.cross @ solved[..., None])[..., 0]
    gain = solved[:, 0]
    count = np.maximum(template.count, 1)
    rest = np.maximum(energy - (solved * light).sum(1), 0) / count
    spread = np.maximum(energy / count - (light[:, 1] / count) ** 2, 0)
    alike = np.where(gain > 0, 1 - rest / (spread + 0.02), 0)
    open_enough = template.count > 0.5 * grid.side**2
    weight = open_enough * np.clip((alike - 0.15) / 0.5, 0, 1) / (rest + _LEAST_REST)
    system = (weight * gain**2)[:, None] * np.stack(
        [template.shape[:, 0, 0], template.shape[:, 0, 1], template.shape[:, 1, 1]], -1
    )
    signal = np.maximum(template.shape[:, 0, 0] + template.shape[:, 1, 1], 0)
    return np.column_stack([system, (weight * gain)[:, None] * right, signal, signal * np.clip(alike, 0, 1)])


def move_basis(grid: CellGrid, count: int) -> NDArray[np.float64]:
    """Return ``(cells, 2, count)``: how each parameter displaces each cell, pixels per pixel."""
    return basis_at(grid.u, grid.v, count)


def basis_at(u: NDArray[np.float64], v: NDArray[np.float64], count: int) -> NDArray[np.float64]:
    """Return ``(points, 2, count)``: shift x, shift y, turn, growth, two shears, two keystones."""
    one, nil = np.ones_like(u), np.zeros_like(u)
    across = [one, nil, -v, u, u, v, u * u, u * v]
    down = [nil, one, u, v, -v, u, u * v, v * v]
    return np.stack([np.stack(across, -1), np.stack(down, -1)], 1)[..., :count]


def fit_move(tally: NDArray[np.float64], grid: CellGrid, *, model: str) -> MoveFit:
    """Fit a move to a ``(cells, 7)`` tally with outlying cells held down.

    Returns the displacement d with frame(x) = template(x + d), as ``MoveFit``; the covariance is the
    sandwich over cells and so includes whatever the light did to them.

    References: Huber 1967, "The behavior of maximum likelihood estimates under nonstandard conditions",
    5th Berkeley Symp. 1:221 (the sandwich); Beaton and Tukey 1974, Technometrics 16(2):147 (the weights).
    """
    count = MODELS[model]
    xx, _, yy, x, y = tally[:, :5].T
    left, right, vectors = (np.empty((len(tally), count)) for _ in range(3))
    matrices = np.empty((len(tally), count, count))
    _form_systems(np.ascontiguousarray(tally), move_basis(grid, count), left, right, matrices, vectors)
    weight = np.ones(len(tally))
    root = np.sqrt(np.maximum(xx + yy, 1e-12))
    values = np.zeros(count)
    for _ in range(5):
        values = _solve(matrices, vectors, weight)
        rest = np.hypot(x - left @ values, y - right @ values)
        weight = _tukey(rest / root, root > 1e-5)
    covariance = _sandwich(matrices, vectors, weight, values, _block_of_cell(grid))
    signal = tally[:, 5].sum()
    return MoveFit(values, covariance, float(tally[:, 6].sum() / signal) if signal > 0 else 0.0)


@compile_loop()
def _form_systems(tally, basis, left, right, matrices, vectors):  # type: ignore[no-untyped-def]
    """Each cell's system for the parameters, ``matrices`` (cells, p, p) and ``vectors`` (cells, p), and how each moves
    its right side, ``left`` and ``right`` (cells, p); ``basis`` (cells, 2, p)."""
    for i in range(tally.shape[0]):
        xx, xy, yy, x, y = tally[i, 0], tally[i, 1], tally[i, 2], tally[i, 3], tally[i, 4]
        for p in range(basis.shape[2]):
            across, down = basis[i, 0, p], basis[i, 1, p]
            left[i, p] = across * xx + down * xy
            right[i, p] = across * xy + down * yy
            vectors[i, p] = across * x + down * y
        for p in range(basis.shape[2]):
            for q in range(basis.shape[2]):
                matrices[i, p, q] = basis[i, 0, p] * left[i, q] + basis[i, 1, p] * right[i, q]


def _solve(matrices: FloatArray, vectors: FloatArray, weight: FloatArray) -> NDArray[np.float64]:
    whole, right = np.zeros(matrices.shape[1:]), np.zeros(vectors.shape[1])
    _sum_systems(weight, matrices, vectors, whole, right)
    ridge = _RIDGE * np.trace(whole) / len(whole) + 1e-9
    return np.linalg.solve(whole + ridge * np.eye(len(whole)), right)


@compile_loop()
def _sum_systems(weight, matrices, vectors, whole, right):  # type: ignore[no-untyped-def]
    """Add ``matrices`` (cells, p, p) by weight to ``whole`` (p, p), and ``vectors`` (cells, p) to ``right`` (p,)."""
    # A plain sum, not a matrix product: its order does not hang on the number of threads.
    for i in range(weight.shape[0]):
        for p in range(right.shape[0]):
            right[p] += weight[i] * vectors[i, p]
            for q in range(right.shape[0]):
                whole[p, q] += weight[i] * matrices[i, p, q]


def _tukey(size: FloatArray, counted: BoolArray) -> NDArray[np.float64]:
    """Weights 1 .. 0 by Tukey's biweight at 4.685 robust sigmas."""
    if not counted.any():
        return np.zeros(len(size))
    scale = 4.685 * _median(size[counted]) / 1.177 + 1e-12  # median of a Rayleigh = 1.177 sigma
    weight = np.empty(len(size))
    _weigh_cells(size, counted, scale, weight)
    return weight


def _median(values: FloatArray) -> float:
    """The median of values (n,) that are all numbers, without the checks of a general one."""
    middle = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, middle)[middle])
    return 0.5 * float(np.partition(values, (middle - 1, middle))[middle - 1 : middle + 1].sum())


@compile_loop(error_model="numpy")
def _weigh_cells(size, counted, scale, weight):  # type: ignore[no-untyped-def]
    """Tukey's biweight of sizes (cells,) that end at ``scale``; 0 where a cell is not counted."""
    for i in range(size.shape[0]):
        share = size[i] / scale
        left = max(1 - share * share, 0.0)
        weight[i] = left * left if counted[i] else 0.0


def _block_of_cell(grid: CellGrid) -> NDArray[np.int64]:
    """Number the blocks of 3 x 3 cells; neighbours share a shadow, so they are no independent witnesses."""
    row, column = np.divmod(np.arange(grid.rows * grid.columns), grid.columns)
    return (row // 3) * (grid.columns // 3 + 1) + column // 3


def _sandwich(
    matrices: FloatArray,
    vectors: FloatArray,
    weight: FloatArray,
    values: FloatArray,
    block: NDArray[np.int64],
) -> NDArray[np.float64]:
    """Return the covariance of the fit from how blocks of cells disagree with it."""
    count = len(values)
    whole = np.zeros(matrices.shape[1:])
    _sum_systems(weight, matrices, vectors, whole, np.zeros(count))
    bread = np.linalg.inv(whole + 1e-9 * np.eye(count))
    scores = weight[:, None] * (vectors - matrices @ values)
    sums = np.stack([np.bincount(block, scores[:, i]) for i in range(count)], -1)
    used = max(int((np.bincount(block, weight) > 0.05).sum()), count + 1)
    return _DOUBT**2 * bread @ (sums.T @ sums) @ bread * used / (used - count)


def move_matrix(values: NDArray[np.float64], grid: CellGrid) -> NDArray[np.float64]:
    """Return the ``(3, 3)`` matrix of a move on coordinates with centres at .5, proxy pixels."""
    full = np.zeros(8)
    full[: len(values)] = values
    half = grid.half_diagonal
    shift_x, shift_y, turn, growth, shear, slant, tip_x, tip_y = full / half
    if len(values) <= 3:  # a euclidean move turns rigidly
        sine, cosine = np.sin(turn), np.cos(turn)
        inner = np.array([[cosine, -sine, shift_x], [sine, cosine, shift_y], [0, 0, 1]])
    else:
        inner = np.array(
            [
                [1 + growth + shear, slant - turn, shift_x],
                [turn + slant, 1 + growth - shear, shift_y],
                [-tip_x, -tip_y, 1],
            ]
        )
    middle = np.array([[half, 0, grid.size[1] / 2], [0, half, grid.size[0] / 2], [0, 0, 1]])
    return middle @ inner @ np.linalg.inv(middle)


def apply_move(pose: NDArray[np.float64], values: NDArray[np.float64], grid: CellGrid) -> NDArray[np.float64]:
    """Correct a pose by a fitted move: frame(x) = template(x + d) puts the pose at D^-1 M."""
    moved = np.linalg.inv(move_matrix(values, grid)) @ pose
    return moved / moved[2, 2]


def read_move(pose: NDArray[np.float64], grid: CellGrid, *, count: int = 3) -> NDArray[np.float64]:
    """Return the first ``count`` parameters of a small move in the nested basis, pixels.

    The shift is that of the picture's middle; all others are displacements at the half diagonal. The
    inverse of ``move_matrix`` to first order, exact for shifts and turns.
    """
    half = grid.half_diagonal
    middle = np.array([[half, 0, grid.size[1] / 2], [0, half, grid.size[0] / 2], [0, 0, 1]])
    inner = np.linalg.inv(middle) @ pose @ middle
    inner = inner / inner[2, 2]
    turn = np.arctan2(inner[1, 0] - inner[0, 1], inner[0, 0] + inner[1, 1])
    growth, shear = (inner[0, 0] + inner[1, 1]) / 2 - 1, (inner[0, 0] - inner[1, 1]) / 2
    slant = (inner[1, 0] + inner[0, 1]) / 2
    full = [inner[0, 2], inner[1, 2], turn, growth, shear, slant, -inner[2, 0], -inner[2, 1]]
    return np.array(full[:count]) * half


def rebase_tally(
    tally: NDArray[np.float64], old: NDArray[np.float64], new: NDArray[np.float64], grid: CellGrid
) -> NDArray[np.float64]:
    """Rewrite a tally taken against a template at pose ``old`` as if it had been at a pose ``new`` nearby."""
    if np.array_equal(old, new):
        return tally
    half = grid.half_diagonal
    across, down = grid.u * half + grid.size[1] / 2, grid.v * half + grid.size[0] / 2
    points = np.stack([across, down, np.ones_like(across)])
    moved = new @ np.linalg.inv(old) @ points
    shift = (moved[:2] / moved[2] - points[:2]).T
    out = tally.copy()
    out[:, 3] += tally[:, 0] * shift[:, 0] + tally[:, 1] * shift[:, 1]
    out[:, 4] += tally[:, 1] * shift[:, 0] + tally[:, 2] * shift[:, 1]
    return out


def corner_spread_px(covariance: NDArray[np.float64], grid: CellGrid) -> float:
    """Return the standard error of the worst corner's place, proxy pixels, from a move's covariance."""
    height, width = grid.size
    half = grid.half_diagonal
    u, v = np.array([-1, 1, -1, 1]) * width / 2 / half, np.array([-1, -1, 1, 1]) * height / 2 / half
    basis = basis_at(u, v, len(covariance))
    variance = float(np.einsum("kip,pq,kiq->k", basis, covariance, basis).max())
    return math.sqrt(variance) if variance >= 0 else math.inf  # a singular fit says nothing
