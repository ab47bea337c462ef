"""The local page: a server on loopback, a worker beside it, and what the browser is sent."""
