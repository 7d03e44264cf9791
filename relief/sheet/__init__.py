"""The job sheet: one self-contained page that lets a person decide to press start or not."""

from relief.sheet.render import render_sheet

__all__ = ["render_sheet"]
