"""bale-to-pellet: proves from which supplier bales each lot of PET pellets was made."""
