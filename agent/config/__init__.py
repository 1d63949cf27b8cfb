"""The site's file: read, judged, and translated into what policies and drivers understand."""
