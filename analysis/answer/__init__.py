"""From an estimate to what is answered: verdict, pattern, health, cautions and hints."""
