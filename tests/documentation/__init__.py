"""The documentation against the package: pages that describe it cannot drift from it."""
