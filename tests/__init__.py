"""Tests. A package, so that `python -m tests.benchmarks...` finds them and not another package of that name."""
