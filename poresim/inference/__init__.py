"""Statistics of its own kind: pure functions over arrays, which know nothing of liquids."""
