"""The page is tested without drawn plots."""

from unplotted import plain_plots

__all__ = ["plain_plots"]
