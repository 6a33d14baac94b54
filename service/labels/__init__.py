"""Labels: the QR code and the printable tag of a lot."""
