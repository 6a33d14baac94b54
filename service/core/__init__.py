"""Arithmetic of the plant: exact, without web, database or clock.

Everything here takes plain integers (grams, ppm, micrograms dry, shares of 10**12) and gives
plain integers or ``Decimal`` back. It imports the standard library only, and nothing else of
``service``; refusals are ``ValueError`` subclasses that the verbs translate where the field is known.
"""
