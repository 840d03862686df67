"""One recording: from samples and taps to modes, decays and strings, each with its error.

The samples of one file and its taps come in; a :class:`~tapbatch.model.reading.Reading` goes out.
:func:`~tapbatch.measure.recording.measure_recording` is a pure function of the file's bytes and the settings, so a
reading can be kept, and any process may make it. The noise model, the fit and its errors live here. This room knows
how to listen; it knows no stage, no instrument and no shop.
"""
