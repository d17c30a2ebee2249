"""The register: what is there, and what happened. The only room that writes facts."""
