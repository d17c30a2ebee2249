"""The test letter."""

CONTENT = {"zone": "Europe/Paris", "host": "mail.example.org:587", "security": "starttls"}
