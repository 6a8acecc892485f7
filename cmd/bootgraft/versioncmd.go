package main

import (
	"github.com/spf13/cobra"

	"bootgraft/cmd/bootgraft/build"
	"bootgraft/cmd/bootgraft/document"
	"bootgraft/cmd/bootgraft/page"
	"bootgraft/cmd/bootgraft/talk"
)

func versionCommand(u *talk.UI) *cobra.Command {
	return &cobra.Command{
		Use:   "version",
		Short: "which version this is, and from which source it was built",
		Args:  cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error {
			u.Document(document.NewVersion(build.This()))
			page.Version(u, build.This())
			return nil
		},
	}
}
