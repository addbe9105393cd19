"""Drawings for paper, as SVG: black on white, told apart by shape, with axes in words. Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import timedelta, tzinfo
from html import escape

from dashboard.papers.paper import Drawing
from store.clock import NS_PER_S, local

_WIDE, _HIGH = 720, 230
_LEFT, _RIGHT, _TOP, _BOTTOM = 52, 10, 10, 34


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """A run: when, how much (Mb/s), and whether it counts."""

    unix_ns: int
    mbps: float
    counts: bool


def rates(
    points: Sequence[Point], *, stated_mbps: float | None, span: tuple[int, int], where: tzinfo, what: str
) -> Drawing | None:
    """Runs over time against the stated rate; None without any."""
    if not points:
        return None
    top = 1.1 * max([stated_mbps or 0.0, *(one.mbps for one in points)]) or 1.0
    since_ns, until_ns = span

    def x(unix_ns: int) -> float:
        return _LEFT + (_WIDE - _LEFT - _RIGHT) * (unix_ns - since_ns) / max(1, until_ns - since_ns)

    def y(rate: float) -> float:
        return _HIGH - _BOTTOM - (_HIGH - _TOP - _BOTTOM) * rate / top

    parts = [*_grid(top, y), *_days(since_ns, until_ns, where, x)]
    for one in points:
        cx, cy = x(one.unix_ns), y(one.mbps)
        parts.append(
            f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="1.6"/>'
            if one.counts
            else f'<path d="M{cx - 2.2:.1f} {cy - 2.2:.1f}l4.4 4.4m0 -4.4l-4.4 4.4" stroke="#000"/>'
        )
    if stated_mbps is not None:
        at = y(stated_mbps)
        parts.append(
            f'<path d="M{_LEFT} {at:.1f}H{_WIDE - _RIGHT}" stroke="#000" stroke-width="1.4" '
            f'stroke-dasharray="7 3"/><text x="{_WIDE - _RIGHT}" y="{at - 4:.1f}" text-anchor="end">stated '
            f"{stated_mbps:g}</text>"
        )
    counts = sum(one.counts for one in points)
    message = f"{what}: {counts} runs that count, {len(points) - counts} left out."
    return Drawing(
        svg=_svg(parts, message),
        message=message,
        key="Mb/s at the layer of the table. A dot is a run that counts, a cross one that a rule left out; "
        "the broken line is the stated rate.",
    )


def _svg(parts: Iterable[str], message: str) -> str:
    body = "".join(parts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE} {_HIGH}" role="img" '
        f'aria-label="{escape(message)}" font-family="DejaVu Sans, Arial, sans-serif" '
        f'font-size="10">{body}</svg>'
    )


def _grid(top: float, y: Callable[[float], float]) -> list[str]:
    step = next(
        size * scale
        for scale in (0.1, 1, 10, 100, 1000, 10_000)
        for size in (1, 2, 5)
        if top / (size * scale) <= 6
    )
    found: list[str] = []
    value = 0.0
    while value <= top:
        at = y(value)
        found.append(
            f'<path d="M{_LEFT} {at:.1f}H{_WIDE - _RIGHT}" stroke="#bbb" stroke-width="0.5"/>'
            f'<text x="{_LEFT - 6}" y="{at + 3.5:.1f}" text-anchor="end">{value:g}</text>'
        )
        value += step
    return found


def _days(since_ns: int, until_ns: int, where: tzinfo, x: Callable[[int], float]) -> list[str]:
    first, last = local(since_ns, where).date(), local(until_ns, where).date()
    days = (last - first).days or 1
    step = max(1, -(-days // 7))
    found = []
    for nth in range(0, days + 1, step):
        at_ns = since_ns + nth * 86_400 * NS_PER_S
        at = x(at_ns)
        anchor = "end" if at > _WIDE - 40 else "middle"
        found.append(
            f'<path d="M{at:.1f} {_HIGH - _BOTTOM}v5" stroke="#000"/>'
            f'<text x="{at:.1f}" y="{_HIGH - _BOTTOM + 18}" text-anchor="{anchor}">'
            f"{first + timedelta(days=nth):%d %b}</text>"
        )
    return [*found, f'<path d="M{_LEFT} {_HIGH - _BOTTOM}H{_WIDE - _RIGHT}" stroke="#000"/>']
