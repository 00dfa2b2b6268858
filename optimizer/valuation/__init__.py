"""What it comes to in money: the cases side by side."""
