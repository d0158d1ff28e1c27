"""The three settings files and the device profiles, validated strictly."""
