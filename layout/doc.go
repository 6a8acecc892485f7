// Package layout is the vocabulary of the project: sectors and spans of them,
// the map of an original, findings, and errors that name a place.
//
// Every sector of an original has exactly one owner, and CheckTiles proves it.
// The packages below this one each know one format or one step of the work;
// this one imports none of them.
package layout
