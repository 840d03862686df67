"""A second simulator: plates, hands, rooms, phones and voices, and a judge.

It shares nothing with ``tapbatch.simulate``. A scene is a stage of recordings of known truth:

>>> from tests.bench_simulator import scenes
>>> played = scenes.play("dry", 0)
>>> take, modes = played.takes[0], played.plate.modes
>>> take.samples.ndim, len(take.taps_s), len(modes) == len(played.levels_db)
(1, 5, True)

``python -m tests.benchmarks.rooms --scene NAME`` reads scenes as a shop is read, and says what came of them.
"""
