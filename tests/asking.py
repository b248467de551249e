"""A browser of sorts for the tests of the review page's server: it keeps cookies and asks an application directly."""

import asyncio

import httpx


class Asking:
    """Asks an application; every answer comes whole. ``cookies`` are kept from one question to the next; ``headers`` go
    with all of them."""

    def __init__(self, app, base):
        self._transport, self._base = httpx.ASGITransport(app), base
        self.cookies, self.headers = httpx.Cookies(), {}

    def request(self, method, path, **what):
        async def ask():
            async with httpx.AsyncClient(
                transport=self._transport, base_url=self._base, cookies=self.cookies, headers=self.headers
            ) as client:
                answer = await client.request(method, path, **what)
                self.cookies = client.cookies
                return answer

        return asyncio.run(ask())

    def enter(self, token):
        """Open the page by the printed address, and keep the key that comes behind the mark of where that leads."""
        answer = self.get("/", params={"token": token})
        where, _, key = answer.headers.get("location", "").partition("#key=")
        if key:
            self.headers["x-review-key"] = key
        return answer.status_code, where

    def get(self, path, **what):
        return self.request("GET", path, **what)

    def post(self, path, **what):
        return self.request("POST", path, **what)
