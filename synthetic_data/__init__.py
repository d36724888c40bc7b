"""
Drawn jaws: anatomy, wear, light, camera, and the truth that comes with them.

    anatomy    one animal: teeth, lobes, ridges, eruption, wear depths           (numpy, seeded)
    wear       two-surface wear model: outer enamel, enamel-dentine junction, wear surface  (torch)
    jaw        bone and gum round the teeth; mandible   their sides               (torch)
    camera     perspective camera, rays, ray march into the height fields         (torch)
    textures   noise and background pictures                                      (numpy, cached)
    shading    materials, light, shadow, gloss                                    (torch)
    ground     the plane the jaw lies on;  things   what is no jaw at all         (torch)
    scene      what lies under and over the jaw (clutter, overlays, litter)       (torch)
    phone      lens blur, noise, sharpening, tone                                 (torch)
    truth      widths on the surface by the declared definition, states, class    (torch -> plain values)
    draw       batches for training;  dataset   photographs with truth on disk

Lengths are millimetres in the jaw frame: x from front to back along the row, y towards the cheek, z up from
the tips of the unworn molars. A right jaw is the mirror picture (y flipped) of a left one.
"""
