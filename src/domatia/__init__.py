"""Domatia: a workbench for field experiments on ant-plant protection mutualisms."""

__version__ = "0.1.0"
