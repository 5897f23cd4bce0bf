"""The command line: commands in ``loop`` and ``record``, what they print in a module for each thing shown."""

from recommender.cli.cli import main
from recommender.cli.shared import app

__all__ = ["app", "main"]
