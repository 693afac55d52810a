"""From readings to decisions: pure functions of aims, state, readings and time."""

from controller.decide.build import build_aims
from controller.decide.step import initial_state, step

__all__ = ["build_aims", "initial_state", "step"]
