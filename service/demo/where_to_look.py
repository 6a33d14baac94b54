"""What the demo says when it is loaded: the lot worth tracing, and the addresses and commands that show it."""

from service.demo.load import Loaded


def where_to_look(loaded: Loaded, address: str) -> str:
    """Text for a terminal; `address` is scheme, host and port the demo is served under."""
    code = loaded.lot_code
    key = ""
    if loaded.visitor_key is not None:
        key = (
            f"\nA key for trying out writes, shown only now (header 'Authorization: Bearer KEY'):\n"
            f"  {loaded.visitor_key}\n"
        )
    return (
        "An invented plant's week is loaded. A pellet lot worth tracing: "
        f"{code}\n{key}\n"
        f"  scan page    {address}/L/{code}\n"
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
