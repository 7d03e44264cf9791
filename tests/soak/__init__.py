"""Long trials that are run by hand: `python -m tests.soak` tells which there are."""
