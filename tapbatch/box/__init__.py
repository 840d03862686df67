"""The physics of a box with an opening: how its air, its top and its back move one another, and what an opening does.

Openings, temperatures and the resonances that were read come in; frequencies with intervals go out. Forward: ``air``
(the speed of sound), ``openings`` (what each lets through), ``modes`` (two or three coupled resonances). Backward:
``fit`` (what is known of a box from its readings) and ``growth`` (how an opening grows). ``model`` holds the answer.
Nothing here knows of recordings, instruments or tables; it may import :mod:`tapbatch.model` only.
"""
