"""What was asked: kit, song, device and recipe, validated and with every default resolved, before audio is touched."""
