"""From a table someone holds to rows, counts, columns and groups a model can be fitted to.

Others call `rows.as_frame` (any library's table) and `matrix.make_design` (checked against the formula); `rows`
says which rows are used and why the others are not.
"""
