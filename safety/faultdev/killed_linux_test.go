package faultdev

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bootgraft/image/imagetest/need"
)

const killedEnv = "BOOTGRAFT_TEST_IS_KILLED"

// A test that is killed while it reads a block device over its own file system
// leaves neither behind. The kernel's own lists say so: proc_pid_mounts(5), sysfs.
func TestKilledTestLeavesNothing(t *testing.T) {
	need.FUSE(t)
	need.Tool(t, "losetup")
	victim := exec.Command("/proc/self/exe", "-test.run", "^TestIsKilled$")
	victim.Env = append(os.Environ(), killedEnv+"=1", "TMPDIR="+t.TempDir())
	out, err := victim.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	need.Ends(t, victim)
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	words := strings.Fields(line)
	if len(words) != 2 {
		t.Fatalf("it says %q", line)
	}
	node, folder := words[0], filepath.Dir(words[1])
	if !attached(node, words[1]) || !mounted(t, folder) {
		t.Fatalf("%s is not there", line)
	}
	victim.Process.Kill()
	victim.Wait()
	end := time.Now().Add(time.Minute)
	for attached(node, words[1]) || mounted(t, folder) {
		time.Sleep(20 * time.Millisecond)
		if time.Now().After(end) {
			t.Fatalf("%s: attached %t, mounted %t", line, attached(node, words[1]), mounted(t, folder))
		}
	}
}

// TestIsKilled is the one that is killed.
func TestIsKilled(t *testing.T) {
	if os.Getenv(killedEnv) == "" {
		t.Skip("runs inside TestKilledTestLeavesNothing")
	}
	file := Serve(t, New(100_000, 512))
	node := need.Loop(t, file, "--direct-io=on")
	for range 4 {
		go func() {
			for {
				os.ReadFile(node)
			}
		}()
	}
	fmt.Println(node, file)
	select {}
}

func attached(node, file string) bool {
	b, err := os.ReadFile("/sys/block/" + filepath.Base(node) + "/loop/backing_file")
	return err == nil && strings.HasPrefix(string(b), file)
}

func mounted(t *testing.T, folder string) bool {
	b, err := os.ReadFile("/proc/self/mounts")
	if err != nil {
		t.Fatal(err)
	}
	return strings.Contains(string(b), " "+folder+" ")
}
