"""The physics of a board: its free vibration, and the wood that its modes reveal.

Sizes, mass, and tones that were heard come in; figures with intervals go out. Forward: ``board`` (values), ``plate``
(modes of a thick orthotropic plate) and ``air`` (what moves along). Backward: ``priors`` (what is believed before),
``fit`` (the wood from named modes), ``naming`` (which mode each tone is), ``loss`` (damping), and ``figures``, which
calls them all. ``thickness`` predicts a thinner board, ``moisture`` what a board would be at another humidity,
``pairs`` finds boards that are alike, and ``species`` has published ranges. Nothing here knows of recordings,
instruments or tables, so the simulator and the comparison can both use it; it may import :mod:`tapbatch.model` only.
"""
