"""From one photograph to a reading: maps, teeth, crests, widths, rule layer, record."""
