"""The page, driven as a person drives it: in Debian's Chromium, by Playwright."""
