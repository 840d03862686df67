"""The tables: which columns there are, with type and digits, and what stands in each row.

A history comes in; rows go out, as the bytes of CSV files or of a workbook. A new column is named in ``columns`` and
filled in ``rows``.
"""
