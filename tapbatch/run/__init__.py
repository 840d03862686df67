"""One pass over a shop: what is new is measured, what has changed is made anew, and everything is put in place.

A shop and its results come in; tables, reports and the page go out, with what is to be said. The plan (what is
stale), the jobs (one recording each), the workers that do them, and the comparison of two stages live here. All
histories come from one place, so that ``run``, ``compare``, the page and ``import tapbatch`` give the same numbers.
"""
