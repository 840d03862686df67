"""Taps whose truth is known: a simulated body, a mallet, a room, noise, and sounds that must not pass for taps.

Parameters come in, samples come out. Tests, benchmarks, the sample shop and ``import tapbatch`` use it; no command
does. It knows the values and nothing else, least of all the estimator that is judged by it.
"""
