module lendkeep

go 1.26
