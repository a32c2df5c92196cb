"""What `import spatial` offers: the jobs as functions of paths and arrays, their results with words and pictures."""
