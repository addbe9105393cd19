"""Method: how each figure is made, with its source (`dashboard.method`). Reads nothing."""

from __future__ import annotations

from dataclasses import dataclass

from dashboard import method
from dashboard.api import Json
from dashboard.method import Topic
from dashboard.pages.frame import Frame
from store import jsonform

URL = "/method"


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodPage:
    """What method.html may use, and nothing else."""

    frame: Frame
    topics: tuple[Topic, ...]


def page(*, frame: Frame) -> MethodPage:
    return MethodPage(frame=frame, topics=method.TOPICS)


def as_json() -> Json:
    """The same table for programs."""
    return {
        "kind": "method",
        "schema": jsonform.SCHEMA,
        "figures": [
            {
                "id": way.id,
                "topic": topic.title,
                "figure": way.figure,
                "how": way.how,
                "source": way.source,
            }
            for topic in method.TOPICS
            for way in topic.ways
        ],
    }
