package main

import "github.com/rogpeppe/go-internal/testscript"

func scriptFIFO(ts *testscript.TestScript, neg bool, args []string) {
	ts.Fatalf("this system has no pipes with names; start the script with [!unix] skip")
}
