"""The page on which an operator corrects contours."""
