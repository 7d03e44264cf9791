"""The job sheet: one self-contained page that lets a person decide to press start or not."""

from relief.sheet.render import render_sheet
from relief.sheet.scene import Stage

__all__ = ["Stage", "render_sheet"]
