"""A tablet without a screen: asks the page's server as a browser would, and writes what it got as JSON.

Run it as `python visitor.py ADDRESS [--code CODE] [--cookie TOKEN] [--hears WORDS]` in the network that
the daemon is in.
"""

import argparse
import asyncio
import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

import aiohttp

from bridge.wire.osc import decode, encode_message


async def main(address: str, code: str, cookie: str, hears: str) -> dict[str, object]:
    origin = {"Origin": address.rstrip("/"), "User-Agent": "Mozilla/5.0 (Invented tablet; X)"}
    cookies = {"trimbridge": cookie} if cookie else None
    jar = aiohttp.CookieJar(unsafe=True)
    told: dict[str, object] = {}
    async with aiohttp.ClientSession(cookie_jar=jar, cookies=cookies, headers=origin) as session:
        if code:
            async with session.post(f"{address}pair", json={"code": code}) as answer:
                told["paired"] = answer.status == 200
        async with session.get(f"{address}setup.json") as answer:
            told["may_command"] = (await answer.json())["visitor"]["may_command"]
        async with session.ws_connect(f"{address}live", max_msg_size=1 << 20) as live:
            await live.send_bytes(encode_message("/do/note", "ss", ("a note", "n-1")))
            while "answer" not in told or hears not in str(told.get("message", "")):
                for message in decode(await live.receive_bytes()).messages:
                    if message.address in ("/done", "/refused"):
                        told["answer"] = message.address
                    elif message.address == "/health/message":
                        told["message"] = message.arguments[0]
        async with session.get(f"{address}links.json") as answer:
            told["links"] = answer.status
        async with session.post(f"{address}forget", json={"id": ""}) as answer:
            told["forget"] = answer.status
        told["cookie"] = next((one.value for one in jar if one.key == "trimbridge"), "")
    return told


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("address")
    parser.add_argument("--code", default="")
    parser.add_argument("--cookie", default="")
    parser.add_argument("--hears", default="", help="wait until the daemon says so")
    given = parser.parse_args()
    sys.stdout.write(
        json.dumps(asyncio.run(asyncio.wait_for(main(given.address, given.code, given.cookie, given.hears), 30)))
    )
