"""
The independent test family: path-traced photographs of solid-modelled jaws that training never sees.

It shares no shape, colour or rendering code with the rest of `crestgauge.synthetic_data`. Here a crown is a
3-D
solid (a union of swept crest blades over a root body), its dentine core is a second, smaller solid inside
it, wear
takes away everything above a hollow, wavy cutting surface, and a path tracer (Mitsuba 3) takes the picture.

    python -m crestgauge.synthetic_data.traced --out DIR --seed S --n N [--only K]

What is invented, and what has a source, is written in DEVELOPERS.md under "Independent test family".
"""
