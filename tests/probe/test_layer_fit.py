"""The layer that a limit counts, from packets of each size that passed, held against sums and scipy.

The ratios of the trade's table for a limit of 600 Mb/s on the wire: 592, 577 and 556 Mb/s of layer 2 pass in
frames of 1518, 512 and 256 octets (98.7, 96.2, 92.8 %).
"""

from __future__ import annotations

from random import Random

import pytest
from scipy import optimize, stats

from probe.layer_fit import T95, Passed, counted, fit, overheads
from store.sizes import FRAMES_BYTES, Counted

ERROR = 0.0005


def passed(
    overhead: float, *, limit_bps: float = 100e6, seed: int | None = None, error: float = ERROR
) -> list[Passed]:
    """What a limit lets pass of every size, each off by its error if there is a seed."""
    chance = Random(seed)
    return [
        Passed(
            ip_bytes=frame - 18,
            per_second=limit_bps
            / 8
            / (frame - 18 + overhead)
            * (1 + (chance.gauss(0, error) if seed is not None else 0)),
            error_ratio=error,
        )
        for frame in FRAMES_BYTES
    ]


@pytest.mark.parametrize("ip_version", [4, 6])
def test_every_layer_is_found(ip_version: int) -> None:
    for layer, overhead in overheads(ip_version).items():
        found = fit(passed(overhead))
        assert found is not None
        assert found.overhead_bytes == pytest.approx(overhead, abs=0.01)
        assert found.limit_bps == pytest.approx(100e6, rel=1e-6)
        assert counted(found, ip_version=ip_version)[0] is layer


def test_the_trades_figures_are_those_of_a_limit_on_the_wire() -> None:
    """Rounded to 1 Mb/s of 600 they are known to 0.1 %, and separate layer 1 from layer 2."""
    rates = {1518: 592e6, 512: 577e6, 256: 556e6}
    found = fit([Passed(ip_bytes=f - 18, per_second=r / 8 / f, error_ratio=0.001) for f, r in rates.items()])
    assert found is not None
    assert found.overhead_bytes == pytest.approx(38, abs=1.5)
    assert found.limit_bps == pytest.approx(600e6, rel=0.002)


def test_the_fit_is_that_of_scipy() -> None:
    """scipy.optimize.curve_fit with the same errors: the same overhead, the same standard error."""
    seen = passed(18, seed=5)
    sizes, taken = [one.ip_bytes for one in seen], [1 / one.per_second for one in seen]
    (limit, overhead), covariance = optimize.curve_fit(
        lambda size, limit, overhead: (size + overhead) * 8 / limit,
        sizes,
        taken,
        p0=(90e6, 10.0),
        sigma=[ERROR * time for time in taken],
        absolute_sigma=True,
    )
    found = fit(seen)
    assert found is not None
    assert found.overhead_bytes == pytest.approx(overhead, abs=0.01)
    assert found.limit_bps == pytest.approx(limit, rel=1e-5)
    assert found.bound_bytes >= 2.776 * covariance[1][1] ** 0.5 * 0.99


def test_t_is_that_of_scipy() -> None:
    assert T95 == {freedom: pytest.approx(stats.t.ppf(0.975, freedom), abs=5e-4) for freedom in range(1, 5)}


def test_the_bound_holds_in_95_of_100() -> None:
    """400 sweeps with errors as stated: the bound covers the truth at least as often as it says."""
    found = [fit(passed(14, seed=seed)) for seed in range(400)]
    inside = sum(one is not None and abs(one.overhead_bytes - 14) <= one.bound_bytes for one in found)
    assert inside >= 0.95 * 400


def test_layers_that_are_not_separated_stay_undecided() -> None:
    """Rates known to 2 % leave 14 and 18 bytes alike."""
    found = fit(passed(16, seed=1, error=0.02))
    layer, because = counted(found, ip_version=4)
    assert layer is Counted.UNDECIDED
    assert "does not separate" in because


def test_what_is_no_layer_is_said() -> None:
    """Frames with two tags on the wire: 46 bytes."""
    found = fit(passed(46))
    assert counted(found, ip_version=4)[0] is Counted.OTHER


def test_two_sizes_are_too_few() -> None:
    assert fit(passed(14)[:2]) is None
    assert counted(None, ip_version=4)[0] is Counted.UNDECIDED


def test_rates_that_do_not_depend_on_the_size_are_no_limit_in_bytes() -> None:
    """A limit in packets a second: there is no slope."""
    assert fit([Passed(ip_bytes=frame, per_second=1000, error_ratio=ERROR) for frame in FRAMES_BYTES]) is None
