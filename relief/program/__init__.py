"""Program text: written by one module, read by another; the two never meet."""
