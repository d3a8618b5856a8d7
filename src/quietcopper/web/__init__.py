"""The review page as a service: decisions and what-if beside the page that also opens from disk."""

from quietcopper.web.server import Server
from quietcopper.web.service import Service

__all__ = ["Server", "Service"]
