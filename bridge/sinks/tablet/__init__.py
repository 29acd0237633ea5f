"""The page for tablets, phones and wall screens: frames and trims in; HTTP and WebSockets out."""
