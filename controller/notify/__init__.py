"""Reaching a person: which alarm goes to whom and when, and the worker that sends it."""

from controller.notify.routes import RouteError, Sender
from controller.notify.worker import Notifier

__all__ = ["Notifier", "RouteError", "Sender"]
