"""Papers that leave the plant. The first is the lot record: issued once, kept byte for byte."""
