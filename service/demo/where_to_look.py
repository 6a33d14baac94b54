"""What the demo says when it is loaded: the lot worth tracing, and the addresses and commands that show it."""

from service.demo.load import Loaded


def where_to_look(loaded: Loaded, address: str) -> str:
    """Text for a terminal; `address` is scheme, host and port the demo is served under."""
    code = loaded.lot_code
    key = ""
    if loaded.visitor_key is not None:
        key = (
            f"\nA key, shown only now: log in with it on the pages, or send it as 'Authorization: Bearer KEY':\n"
            f"  {loaded.visitor_key}\n"
        )
    return (
        "An invented plant's week is loaded. A pellet lot worth tracing: "
        f"{code}\n{key}\n"
        f"  start page   {address}/\n"
        f"  scan page    {address}/L/{code}\n"
        f"  lot page     {address}/lots/{code}\n"
        f"  gate         {address}/gate?day=2026-09-08\n"
        f"  trace        {address}/v1/lots/{code}/trace\n"
        f"  lot record   {address}/v1/lots/{code}/record\n"
        f"  label        {address}/v1/lots/{code}/label.svg\n"
        f"  runs         {address}/v1/runs\n"
        f"  tickets      {address}/v1/deliveries\n"
        f"  interface    {address}/openapi.json\n\n"
        f"  bale-to-pellet trace {code}\n"
        f"  bale-to-pellet label {code} --output label.png\n"
        "  bale-to-pellet verify\n"
    )
