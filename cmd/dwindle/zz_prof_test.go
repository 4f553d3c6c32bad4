package main
import ("testing";"context";"fmt";"time";"os";"dwindle/collector/simulate";"dwindle/config")
func TestZZProf(t *testing.T){
 if os.Getenv("ZZ")=="" {t.Skip()}
 _ = config.Site{}
 _ = simulate.Options{}
 fmt.Println(time.Now(), context.Background())
}
