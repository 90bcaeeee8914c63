"""The part as a graph: faces, edges, convexity, canonical surfaces, frame, sections, silhouettes."""
