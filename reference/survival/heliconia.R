# Answers of survreg and coxph on the heliconia census (Bruna et al. 2023, Ecology; MIT licence), which is not kept here.
# Run in this folder: DOMATIA_REAL_DATA=... Rscript heliconia.R > heliconia.out
suppressMessages({library(survival); library(sandwich)})
options(digits = 12)
folder <- file.path(Sys.getenv("DOMATIA_REAL_DATA"), "heliconia_census")
h <- read.csv(file.path(folder, "HDP_survey.csv"))
alive <- h[h$census_status == "measured", ]; dead <- h[h$census_status == "dead", ]
z <- merge(aggregate(year ~ plant_id, alive, min), aggregate(year ~ plant_id, alive, max), by = "plant_id")
names(z) <- c("plant", "first", "last")
gone <- aggregate(year ~ plant_id, dead, min)
z$left <- z$last - z$first
z$right <- gone$year[match(z$plant, gone$plant_id)] - z$first
z$seedling <- as.integer(z$plant %in% h$plant_id[h$recorded_sdlg %in% c("TRUE", TRUE)])
z$plot <- h$plot_id[match(z$plant, h$plant_id)]
z <- z[!(is.na(z$right) & z$left == 0), ]
cat("plants", nrow(z), "deaths", sum(!is.na(z$right)), "plots", length(unique(z$plot)), "\n")
cat("== one constant hazard, death between two looks\n")
s <- survreg(Surv(ifelse(left == 0, NA, left), right, type = "interval2") ~ seedling, z, dist = "exponential",
             control = survreg.control(rel.tolerance = 1e-12, maxiter = 100))
print(coef(s)); print(sqrt(diag(vcov(s)))); print(s$loglik[2])
score <- estfun(s); total <- rowsum(score, z$plot)
V <- vcov(s); print(sqrt(diag(V %*% crossprod(total) %*% V)))
cat("== dated by the year recorded dead, plots as clusters\n")
z$time <- ifelse(is.na(z$right), z$left, z$right)
k <- coxph(Surv(time, !is.na(right)) ~ seedling, z, cluster = plot, ties = "efron")
print(coef(k)); print(sqrt(diag(k$naive.var))); print(sqrt(diag(k$var)))
print(R.version.string)
