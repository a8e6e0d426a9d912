"""Benchmarks: ratios measured side by side in one run. `python -m tests.bench --help`."""
