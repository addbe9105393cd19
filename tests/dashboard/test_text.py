"""What a command prints: every figure with its unit and layer, and never an exception."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given

from dashboard import text
from store.records import RateRun, TrainSpan
from tests import strategies
from tests.store import samples


@given(strategies.rate_runs)
def test_any_run_can_be_printed(run: RateRun) -> None:
    """Each measured direction has its sentence, and the standing its reasons."""
    printed = text.rate_run(run)
    for direction in run.sides():
        assert f"{direction.capitalize()}: " in printed
    assert f"Standing: {run.standing}" in printed
    assert all(reason in printed for reason in run.reasons)


@given(strategies.train_spans)
def test_any_train_can_be_printed(span: TrainSpan) -> None:
    printed = text.train(span, ())
    assert f"{span.sent} sent, {span.lost_up} lost up, {span.lost_down} lost down" in printed
    assert ("without a known direction" in printed) == (span.lost_unattributed > 0)


def test_a_stall_has_its_length_direction_and_packets() -> None:
    stall = replace(samples.stall(), duration_us=1_250_000, how="held", lost=0, held=25)
    assert "stall of 1.25 s, up, packets held (0 lost, 25 held)" in text.train(samples.span(), [stall])


def test_layers_are_named_beside_their_rates() -> None:
    """Payload, IP, layer 2 and wire of a run stand with their names."""
    printed = text.rate_run(samples.run())
    for words in ("of payload", "IP layer", "layer 2", "on the wire"):
        assert words in printed


def test_rates_keep_digits_that_mean_something() -> None:
    assert [text.mbps(rate) for rate in (5_123_456, 17_012_345, 941_482_000, 9_414_800_000)] == [
        "5.12 Mb/s",
        "17.0 Mb/s",
        "941.5 Mb/s",
        "9415 Mb/s",
    ]


def test_a_light_run_says_what_it_asked_for() -> None:
    light = replace(samples.run(), at_most_up_goodput_bps=1_500_000, reasons=("light",))
    printed = text.rate_run(light)
    assert "light run" in printed
    assert "Up: asked for no more than 1.50 Mb/s of payload." in printed
    assert "says nothing of the full rate" in printed
    assert "asked for" not in text.rate_run(samples.run())
