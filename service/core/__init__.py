"""Arithmetic of the plant: exact, without web, database or clock.

Everything here takes plain integers (grams, ppm, micrograms dry, shares of 10**12) and gives
plain integers, fractions or ``Decimal`` back; binary floats hold doubts, statistics, readings of
instruments and estimates of diffusion, never a mass. It imports the standard library, NumPy and
SciPy, and nothing else of ``service``; refusals are ``ValueError`` subclasses that the verbs
translate where the field is known.
"""
