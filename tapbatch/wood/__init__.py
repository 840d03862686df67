"""The physics of a board: its free vibration, and the wood that its modes reveal.

Sizes, mass and moduli come in and modes go out (``board``, ``plate``, ``air``). Nothing here knows of recordings,
instruments or tables, so that the simulator and the comparison can both use it.
"""
