"""
One module per step of the schema, in the order of their revision names. A step that has been shipped is
final.
"""
