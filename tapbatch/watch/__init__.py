"""The day at the bench: passes of the same run over whatever has just arrived.

Looks at the folder come in; passes go out, and the page is served. ``arrivals`` decides when a file has fully
arrived. ``measuring`` measures recordings and ``drawing`` draws reports, each in processes beside the watch (a
``lane`` is one such process), so that no arrival waits. ``watching`` joins them. The page is served by ``serving``,
and ``connections`` decides who may connect for how long. With a ``key``, phones ask the desk (``phone``) by way of
``phone_handler``, see ``phone_state`` and wait for the ``feed``. ``command`` puts all of it together. Clock, hints,
measurer and drawer are passed in, so tests neither wait nor sleep.
"""
