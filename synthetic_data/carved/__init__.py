"""
The second independent test family: jaws carved out of outlines, photographed by a path tracer.

It shares no shape, colour, light, camera or phone code with the generator that training uses nor with
`crestgauge.synthetic_data.traced`; only the truth format is one. A crown is a stack of level sections: at
each depth a closed outline, holes for the infundibula, and between them the enamel's two inner faces. Wear
says how deep each place is cut, so a worn face shows one section at each of its points, and widths are zeros
of the same outlines' distances.

    python -m crestgauge.synthetic_data.carved --out DIR --seed S --n N [--only K]

Every shape, size, colour and rate here is invented; DEVELOPERS.md, "Second independent family", says so.
"""
