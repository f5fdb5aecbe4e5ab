"""The version of the tool, as answers and studies name it."""

__version__ = "0.1.0"
TOOL = f"domatia {__version__}"
