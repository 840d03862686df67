"""One pass over a shop: what is new is measured, what has changed is made anew, and everything is put in place.

A shop and its results come in; tables, reports and the page go out, with what is to be said. This room may know every
room but ``watch`` and the commands. Its files in the order of a run: what is there (``inventory``), what is measured
(``measuring``, ``job``, ``workers``, ``cluster``), the histories (``histories``), which of them are old (``plan``,
``stamp``), what is made of one instrument (``instrument``), and what is put in place (``refresh``, ``page``);
``one_pass`` calls them in turn. ``compare``, ``forget`` and ``files`` serve the other commands. All histories come
from ``histories``, so that ``run``, ``compare``, the page and ``import tapbatch`` give the same numbers.
"""
