"""Drawing only: every figure takes numbers worked out elsewhere and gives SVG text back."""
