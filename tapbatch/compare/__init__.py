"""Over taps, stages and instruments: what is one mode, how it moved, and how far it is from where it could rest.

Readings, settings and bench notes come in; a :class:`~tapbatch.model.history.History` goes out, with its stages,
drifts and landings, and with what each caution rests on. Joining repeated readings, naming modes from stage to stage,
verdicts, steps, targets, strings and sustain live here. Everything is computed from values; no file is read or
written.
"""
