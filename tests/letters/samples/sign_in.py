"""The letter with a link to sign in, to an address that two people share."""

CONTENT = {
    "minutes": 30,
    "links": [
        {"name": "Ann Example", "url": "https://rounds.example.org/me/abc"},
        {"name": "Ben Example", "url": "https://rounds.example.org/me/def"},
    ],
}
