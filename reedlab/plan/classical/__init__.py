"""Classical designs: two-level fractions, screening, surfaces; their words and their cane."""
