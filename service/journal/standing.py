"""Which version of a fact stands, as plain SQL: for proofs that share no code with what they check."""


def current(alias: str, table: str | None = None) -> str:
    """SQL condition: the newest version of a fact, and not withdrawn."""
    return (
        f"NOT {alias}.void AND NOT EXISTS (SELECT 1 FROM {table or alias} AS later "
        f"WHERE later.id = {alias}.id AND later.version > {alias}.version)"
    )
