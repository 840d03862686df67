"""Measure one recording: from samples and taps to modes, decays and strings, each with its error.

The samples of one file and its taps come in; a :class:`~tapbatch.model.reading.Reading` goes out.
:func:`~tapbatch.measure.recording.measure_recording` is a pure function of the file's bytes and the settings, so a
reading can be kept and any process can make it. The noise model, the fit and its errors live here. This room uses
``listen``; it knows nothing of stages, instruments or the shop.
"""
