// Package speed judges measurements of drives: what lendkeep-measure found in a
// guest or on the host (Result, read strictly by Decode, since it may come out of
// a guest), and what several of them show beside each other. Nothing in it is a
// float but what is computed for a reader. Start at Result.
package speed
