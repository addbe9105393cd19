"""What an acceptance asks of a rate: its readings at the contract's layer, and the share to be reached.

Common practice of the trade where the contract says no more. Pure.
"""

from __future__ import annotations

from dashboard.judge.acceptance_rows import OVERALL_RATIO, TEN_SECONDS_RATIO
from dashboard.judge.acceptance_verdict import at_least, percent
from dashboard.judge.verdict import Word
from store.card import Card
from store.layers import Layer, LayerRates
from store.records import Direction, Limit

WAYS = (Direction.UP, Direction.DOWN)
NOT_THE_LINE = (Limit.PROBE, Limit.ENDPOINT, Limit.PORT, Limit.WINDOW)


def between(low: float, high: float, limit: float, *, error: float) -> Word:
    """The lowest reading must reach the limit, and the highest miss it: they differ with no layer stated."""
    if at_least(low, limit, error=error) is Word.MET:
        return Word.MET
    return Word.NOT_MET if at_least(high, limit, error=error) is Word.NOT_MET else Word.UNDECIDED


def readings(rates: LayerRates, layer: Layer) -> tuple[int, int]:
    """The rate at the layer, twice; with none stated, as payload and as layer 1."""
    if layer is Layer.NOT_STATED:
        return rates.goodput_bps, rates.wire_bps
    return rates.at(layer), rates.at(layer)


def least_overall(card: Card) -> float:
    return card.reach_ratio if card.reach_ratio < 1 else OVERALL_RATIO


def limit_text(card: Card) -> str:
    if card.reach_ratio < 1:
        limit = f"{percent(card.reach_ratio)} of the rate, by the contract"
    else:
        limit = (
            f"{percent(OVERALL_RATIO)} of the rate over all and {percent(TEN_SECONDS_RATIO)} in every 10 s"
        )
    return limit + ("" if card.loss_ratio is None else f", loss at most {percent(card.loss_ratio)}")
