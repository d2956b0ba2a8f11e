# For use from make: copy beside the Makefile and write `include walls.mk` into that.
#
#   make walls          the parts that differ from the base, against it
#   make walls-all      every part
#   make walls-report   the same as walls, with all reports in a folder
#
# Override on the command line: make walls WALLS_BASE=origin/release

WALLGUARD ?= wallguard
WALLS_BASE ?= origin/main
WALLS_OUT ?= walls-report

.PHONY: walls walls-all walls-report

walls:
	$(WALLGUARD) check --base $(WALLS_BASE)

walls-all:
	$(WALLGUARD) check --all

walls-report:
	mkdir -p $(WALLS_OUT)
	$(WALLGUARD) check --base $(WALLS_BASE) \
		--junit $(WALLS_OUT)/walls.xml --markdown $(WALLS_OUT)/walls.md \
		--json $(WALLS_OUT)/walls.json --html $(WALLS_OUT)/walls.html
