"""What a job loads before its plan stands. Light itself: a child that starts ahead comes here first."""

from __future__ import annotations

from importlib import import_module

_FOR_A_PLAN = (
    "featurize.brep.build",
    "routing.jobs.job",
    "routing.plan.make",
    "routing.stock.ground",
    "routing.stock.proof",
)


def load() -> None:
    """The kernel first, then all rooms up to the plan and its stock."""
    import_module("OCP")
    for name in _FOR_A_PLAN:
        import_module(name)
    import_module("featurize.recognise").families()
