"""One closed border in millimetres, seen in polar form where its shape allows."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from boreline.errors import GeometryError
from boreline.geometry import require_simple_polygon
from boreline.model import ORIGINS, BoolArray, FloatArray, Origin

AUTOMATIC = ORIGINS.index(Origin.AUTOMATIC)
OPERATOR = ORIGINS.index(Origin.OPERATOR)
TURN = 2.0 * np.pi


@dataclass(frozen=True, slots=True)
class Border:
    """A closed polygon; `xy` has shape (n, 2) in one unit throughout, `seen` and `origin` shape (n,)."""

    xy: FloatArray
    seen: BoolArray
    origin: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.xy)

    @classmethod
    def drawn(cls, xy: FloatArray) -> Border:
        """A border that an operator placed throughout."""
        return cls(xy, np.ones(len(xy), dtype=np.bool_), np.full(len(xy), OPERATOR, dtype=np.uint8))

    def scaled(self, factor: FloatArray) -> Border:
        """Coordinates times `factor` (x, y)."""
        return replace(self, xy=self.xy * factor)

    def take(self, order: npt.NDArray[np.intp]) -> Border:
        """The vertices in another order, or some of them."""
        return Border(self.xy[order], self.seen[order], self.origin[order])

    @property
    def area(self) -> float:
        """Signed: positive when angles grow along the vertices."""
        x, y = (self.xy[1:] - self.xy[0]).T  # about the first vertex, whose edges then add nothing
        return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2)

    @property
    def centre(self) -> FloatArray:
        """Centre of mass of the enclosed area."""
        first = self.xy[0]
        x, y = (self.xy - first).T
        cross = x * np.roll(y, -1) - np.roll(x, -1) * y
        total = cross.sum()
        if abs(total) < 1e-12:
            raise GeometryError("the contour encloses no area; draw it again")
        moment = np.array([((x + np.roll(x, -1)) * cross).sum(), ((y + np.roll(y, -1)) * cross).sum()])
        return np.asarray(first + moment / (3.0 * total))


def join(*parts: Border) -> Border:
    """The vertices of several pieces, one after the other."""
    return Border(
        np.concatenate([part.xy for part in parts]),
        np.concatenate([part.seen for part in parts]),
        np.concatenate([part.origin for part in parts]),
    )


def is_simple(xy: FloatArray) -> bool:
    """True for a closed curve that neither crosses nor touches itself."""
    try:
        require_simple_polygon(xy)
    except GeometryError:
        return False
    return True


@dataclass(frozen=True, slots=True)
class Polar:
    """A border that every ray from `apex` meets once.

    `angle` rises strictly from its first value by less than a full turn; `radius` is positive; `border` holds the
    vertices in the same order.
    """

    apex: FloatArray
    angle: FloatArray
    radius: FloatArray
    border: Border

    @classmethod
    def of(cls, border: Border, apex: FloatArray | None = None) -> Polar | None:
        """The polar form about `apex`; None when some ray meets the border twice.

        By default the apex is the centre of mass or, where that fails, the place that sees the whole border best.
        """
        if len(border) < 3:
            return None
        if border.area < 0:
            border = border.take(np.arange(len(border))[::-1])
        if apex is not None:
            return cls._about(border, apex)
        about_centre = cls._about(border, border.centre)
        if about_centre is not None:
            return about_centre
        best = _best_view(border.xy)
        return None if best is None else cls._about(border, best)

    @classmethod
    def _about(cls, border: Border, apex: FloatArray) -> Polar | None:
        arm = border.xy - apex
        angle = np.arctan2(arm[:, 1], arm[:, 0])
        steps = np.mod(np.roll(angle, -1) - angle, TURN)
        if not (np.all(steps > 1e-9) and np.all(steps < np.pi) and abs(steps.sum() - TURN) < 1e-6):
            return None
        rising = angle[0] + np.concatenate([[0.0], np.cumsum(steps[:-1])])
        return cls(apex, rising, np.hypot(*arm.T), border)

    def radius_at(self, angles: FloatArray) -> FloatArray:
        """Distance of the border (straight between vertices) from the apex along `angles`, any shape (n,)."""
        left, t_left, t_right = self._between(angles)
        right = (left + 1) % len(self.radius)
        a, b = self.radius[left], self.radius[right]
        return np.asarray(a * b * np.sin(t_left + t_right) / (a * np.sin(t_left) + b * np.sin(t_right)))

    def gap_at(self, angles: FloatArray) -> FloatArray:
        """Angle between the two vertices on either side of each of `angles`."""
        _, before, after = self._between(angles)
        return before + after

    def with_angles(self, extra: FloatArray) -> Polar:
        """The same border with further vertices on it; angles that have one already are left out."""
        if len(extra) == 0:
            return self
        left, before, after = self._between(extra)
        extra, left = extra[(before > 1e-7) & (after > 1e-7)], left[(before > 1e-7) & (after > 1e-7)]
        wrapped = self.angle[0] + np.mod(extra - self.angle[0], TURN)
        wrapped, index = np.unique(wrapped, return_index=True)
        apart = np.diff(wrapped, prepend=-np.inf) > 1e-7
        wrapped, left = wrapped[apart], left[index[apart]]
        r = self.radius_at(wrapped)
        direction = np.column_stack([np.cos(wrapped), np.sin(wrapped)])
        right = (left + 1) % len(self.radius)
        added = Border(
            self.apex + r[:, None] * direction,
            self.border.seen[left] & self.border.seen[right],
            np.full(len(wrapped), AUTOMATIC, dtype=np.uint8),
        )
        order = np.argsort(np.concatenate([self.angle, wrapped]), kind="stable")
        return Polar(
            self.apex,
            np.concatenate([self.angle, wrapped])[order],
            np.concatenate([self.radius, r])[order],
            join(self.border, added).take(order),
        )

    def stretched(self, log_factor: FloatArray) -> Polar:
        """Every radius times exp(`log_factor`), shape (n,); vertices with a factor of 1 keep their coordinates."""
        radius = self.radius * np.exp(log_factor)
        xy = self.apex + (self.border.xy - self.apex) * np.exp(log_factor)[:, None]
        xy = np.where((log_factor == 0.0)[:, None], self.border.xy, xy)
        return Polar(self.apex, self.angle, radius, replace(self.border, xy=xy))

    def _between(self, angles: FloatArray) -> tuple[npt.NDArray[np.intp], FloatArray, FloatArray]:
        """For each angle the vertex before it, and the angles to that vertex and to the next."""
        wrapped = self.angle[0] + np.mod(angles - self.angle[0], TURN)
        left = np.searchsorted(self.angle, wrapped, side="right") - 1
        ends = np.append(self.angle, self.angle[0] + TURN)
        return left, wrapped - ends[left], ends[left + 1] - wrapped


def _best_view(xy: FloatArray) -> FloatArray | None:
    """The point furthest inside the kernel (all places from which the whole border is seen); None without a kernel.

    The kernel is where every edge lies on the left; the largest circle in it is a linear programme.
    """
    from scipy.optimize import linprog

    edge = np.roll(xy, -1, axis=0) - xy
    length = np.hypot(*edge.T)
    outward = np.column_stack([edge[:, 1], -edge[:, 0]])[length > 0] / length[length > 0, None]
    limit = (outward * xy[length > 0]).sum(axis=1)
    solved = linprog(
        [0.0, 0.0, -1.0],
        A_ub=np.column_stack([outward, np.ones(len(outward))]),
        b_ub=limit,
        bounds=[(None, None), (None, None), (None, float(length.sum()))],
    )
    if solved.status != 0 or solved.x is None or solved.x[2] <= 1e-3 * np.sqrt(length.sum()):
        return None
    return np.asarray(solved.x[:2], dtype=np.float64)


def angle_of(points: FloatArray, apex: FloatArray) -> FloatArray:
    """Angles of points (n, 2) about `apex`, -pi..pi."""
    arm = points - apex
    return np.asarray(np.arctan2(arm[:, 1], arm[:, 0]))
